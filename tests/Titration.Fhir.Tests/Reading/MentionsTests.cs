using System.Text;
using Titration.Fhir.Reading;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

/// <summary>Whom a message tells of, however broken it is: what an erasure goes by.</summary>
public sealed class MentionsTests
{
    [Fact]
    public void The_subject_of_a_resource_counts_whoever_else_is_named_in_it()
    {
        byte[] observation = FhirJson.CheckIn(patient: "p-1").With(o => o["performer"] = new System.Text.Json.Nodes.JsonArray(new System.Text.Json.Nodes.JsonObject { ["reference"] = "Patient/parent" })).ToUtf8();

        Assert.Equal(["p-1"], Mentions.Patients(observation));
        Assert.Equal(["p-1"], Mentions.Patients(FhirJson.Patient("p-1").ToUtf8()));
        Assert.Contains("Patient/parent", Mentions.In(observation));
    }

    [Fact]
    public void A_Bundle_tells_of_everybody_in_it()
    {
        byte[] bundle = FhirJson.Bundle("collection", FhirJson.CheckIn(patient: "p-2"), FhirJson.Patient("p-1"), FhirJson.CheckIn(patient: "p-2")).ToUtf8();

        Assert.Equal(["p-1", "p-2"], Mentions.Patients(bundle));
    }

    [Theory]
    [InlineData("""{"resourceType":"Observation","subject":{"reference":"Patient/p-1"},"note":[{"te""")]
    [InlineData("""{"subject":{"reference":"Patient\/p-1"}""")]
    [InlineData("""{"subject":{"reference":"Patient\u002fp-1"}""")]
    [InlineData("""{"subject":{"reference":"https://fhir.example.org/r4/Patient/p-1/_history/3"}""")]
    [InlineData("""{"resourceType":"Patient","id":"p-1","name":[{"fam""")]
    [InlineData("""{"id" : "p-1", "resourceType" : "Patient", """)]
    [InlineData("""{"message":"{\"resourceType\":\"Patient\",\"id\":\"p-1\"}" """)]
    public void What_is_cut_off_or_written_unusually_still_tells_of_its_patient(string message)
    {
        Assert.Equal(["p-1"], Mentions.Patients(Encoding.UTF8.GetBytes(message)));
        Assert.Equal(["p-1"], Mentions.Patients(Encoding.Unicode.GetBytes(message)));
    }

    [Theory]
    [InlineData("""{"resourceType":"Observation","subject":{"identifier":{"value":"4711"}}""")]
    [InlineData("""{"subject":{"reference":"OutPatient/p-1"}""")]
    [InlineData("""{"subject":{"reference":"Patient/"}""")]
    [InlineData("""{"subject":{"reference":"Patient?identifier=p-1"}""")]
    [InlineData("no JSON")]
    [InlineData("")]
    public void What_names_nobody_by_id_tells_of_nobody(string message) => Assert.Empty(Mentions.Patients(Encoding.UTF8.GetBytes(message)));

    [Fact]
    public void An_id_that_only_begins_alike_is_another_patient()
    {
        Assert.Equal(["p-10"], Mentions.Patients("""{"subject":{"reference":"Patient/p-10"}"""u8.ToArray()));
        Assert.Empty(Mentions.Patients(Encoding.UTF8.GetBytes($"Patient/{new string('a', 65)}")));
    }

    [Fact]
    public void A_deletion_names_its_resource() =>
        Assert.Equal(["Observation/o-1"], Mentions.In(FhirJson.Deletion("Observation", "o-1").ToUtf8()).Where(m => m.StartsWith("Observation", StringComparison.Ordinal)));
}
