using System.Collections.Immutable;
using System.Text;
using System.Text.Json.Nodes;
using Titration.Fhir.Reading;
using Titration.Protocol.Facts;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

public sealed class BundleTests
{
    [Theory]
    [InlineData("searchset")]
    [InlineData("collection")]
    [InlineData("history")]
    [InlineData("transaction")]
    [InlineData("batch")]
    public void A_Bundle_is_taken_apart_in_its_order(string type)
    {
        ImmutableArray<ResourceReading> readings = FhirJson.Bundle(type, FhirJson.MedicationRequest(), FhirJson.CheckIn(), FhirJson.Patient()).ReadAll();

        Assert.Equal("rx-1 obs-1 p1", string.Join(' ', readings.Select(r => r.Fact().Source.Id)));
    }

    [Fact]
    public void Every_entry_carries_its_own_bytes()
    {
        JsonObject bundle = FhirJson.Bundle("searchset", FhirJson.MedicationRequest(), FhirJson.CheckIn());

        ImmutableArray<ResourceReading> readings = bundle.ReadAll();

        Assert.Equal(FhirJson.CheckIn().ToUtf8(), readings[1].Bytes.ToArray());
        Assert.Equal(FhirJson.CheckIn().Observation().Source, readings[1].Fact().Source);
    }

    [Fact]
    public void A_Bundle_fails_entry_by_entry()
    {
        JsonObject bundle = FhirJson.Bundle("searchset", FhirJson.CheckIn(erythema: 7), FhirJson.CheckIn(id: "obs-2"));

        Assert.Collection(bundle.ReadAll(), r => Assert.IsType<ResourceReading.Refused>(r), r => Assert.IsType<ResourceReading.Understood>(r));
    }

    [Fact]
    public void An_entry_with_a_member_twice_is_refused_and_the_others_are_read()
    {
        string body = $$$"""
            {"resourceType":"Bundle","type":"searchset","entry":[
              {"resource":{"resourceType":"Observation","id":"a","id":"b"}},
              {"resource":{{{FhirJson.CheckIn().ToJsonString()}}} }]}
            """;

        Assert.Collection(
            Readers.Reader.Read(Encoding.UTF8.GetBytes(body)),
            r => Assert.IsType<ResourceReading.Refused>(r),
            r => Assert.IsType<ResourceReading.Understood>(r));
    }

    [Fact]
    public void An_entry_with_half_a_surrogate_pair_is_refused_and_the_others_are_read()
    {
        string body = $$$"""
            {"resourceType":"Bundle","type":"searchset","entry":[
              {"resource":{"resourceType":"Observation","id":"a","note":[{"text":"\ud83d"}]}},
              {"resource":{{{FhirJson.CheckIn().ToJsonString()}}} }]}
            """;

        Assert.Collection(
            Readers.Reader.Read(Encoding.UTF8.GetBytes(body)),
            r => Assert.IsType<ResourceReading.Refused>(r),
            r => Assert.IsType<ResourceReading.Understood>(r));
    }

    [Fact]
    public void A_deletion_names_what_is_gone_and_its_version()
    {
        ResourceReading.Deleted deleted = Assert.IsType<ResourceReading.Deleted>(FhirJson.Deletion("Observation", "obs-9", version: "3").Read());

        Assert.Equal(new ResourceHeader("Observation", "obs-9", "3", new DateTimeOffset(2026, 3, 20, 10, 0, 0, TimeSpan.Zero)), deleted.Header);
    }

    [Fact]
    public void A_deletion_of_something_else_is_skipped() => Assert.IsType<ResourceReading.Skipped>(FhirJson.Deletion("Encounter", "e1").Read());

    [Fact]
    public void An_entry_that_is_gone_is_a_deletion()
    {
        JsonObject bundle = FhirJson.Deletion("MedicationRequest", "rx-9").With(b =>
        {
            b["entry"]![0]!["request"]!["method"] = "GET";
            b["entry"]![0]!["response"]!["status"] = "410 Gone";
        });

        Assert.IsType<ResourceReading.Deleted>(bundle.Read());
    }

    [Fact]
    public void An_entry_that_only_names_a_resource_has_to_be_fetched()
    {
        JsonObject bundle = FhirJson.Deletion("Observation", "obs-9").With(b => b["entry"]![0]!["request"]!["method"] = "PUT");

        Assert.Equal(["Observation/obs-9"], Assert.IsType<ResourceReading.Incomplete>(bundle.Read()).References);
    }

    [Fact]
    public void A_focus_without_an_entry_has_to_be_fetched()
    {
        JsonObject status = new()
        {
            ["resourceType"] = "Parameters",
            ["parameter"] = new JsonArray(new JsonObject
            {
                ["name"] = "notification-event",
                ["part"] = new JsonArray(new JsonObject
                {
                    ["name"] = "focus",
                    ["valueReference"] = new JsonObject { ["reference"] = "https://fhir.clinic.example.org/r4/Observation/obs-9" },
                }),
            }),
        };

        Assert.Collection(
            FhirJson.Bundle("history", status).ReadAll(),
            r => Assert.IsType<ResourceReading.Skipped>(r),
            r => Assert.Equal(["Observation/obs-9"], Assert.IsType<ResourceReading.Incomplete>(r).References));
    }

    [Fact]
    public void An_empty_Bundle_gives_nothing() => Assert.Empty(new JsonObject { ["resourceType"] = "Bundle", ["type"] = "history" }.ReadAll());

    [Fact]
    public void A_Bundle_in_a_Bundle_is_refused() =>
        Assert.IsType<ResourceReading.Refused>(FhirJson.Bundle("collection", FhirJson.Bundle("collection", FhirJson.CheckIn())).Read());

    [Fact]
    public void Every_version_in_a_history_is_read()
    {
        JsonObject bundle = FhirJson.Bundle("history", FhirJson.CheckIn(version: "2", status: "amended", erythema: 2), FhirJson.CheckIn(version: "1"));

        Assert.Equal("2 1", string.Join(' ', bundle.ReadAll().Select(r => r.Fact().Source.VersionId)));
    }

    [Fact]
    public void Tasks_and_requests_of_ours_are_told_from_those_of_others()
    {
        const string key = "ee5a609c-6c9d-544d-843c-d1fc3a3fd094";

        Assert.Equal(Guid.Parse(key), Assert.IsType<ResourceReading.Own>(Identified("Task", "task", key).Read()).Key);
        Assert.Equal(Guid.Parse(key), Assert.IsType<ResourceReading.Own>(Identified("CommunicationRequest", "communication-request", key).Read()).Key);
        Assert.IsType<ResourceReading.Skipped>(Identified("Task", "other", key).Read());
        Assert.IsType<ResourceReading.Skipped>(Identified("Task", "task", "42").Read());
    }

    [Fact]
    public void Every_case_has_its_arm()
    {
        static string Name(ResourceReading reading) => reading.Match(
            _ => "understood", _ => "skipped", _ => "refused", _ => "unmapped", _ => "incomplete", _ => "deleted", _ => "own");

        Assert.Equal("understood", Name(FhirJson.CheckIn().Read()));
        Assert.Equal("skipped", Name(new JsonObject { ["resourceType"] = "Encounter" }.Read()));
        Assert.Equal("refused", Name(FhirJson.CheckIn(erythema: 9).Read()));
        Assert.Equal("unmapped", Name(FhirJson.Observation("glow", "valueInteger", 1).Read()));
        Assert.Equal("deleted", Name(FhirJson.Deletion("Observation", "o").Read()));
    }

    private static JsonObject Identified(string type, string system, string value) => new()
    {
        ["resourceType"] = type,
        ["id"] = "x1",
        ["identifier"] = new JsonArray(new JsonObject { ["system"] = $"https://titration.example.org/fhir/NamingSystem/{system}", ["value"] = value }),
    };
}
