using System.Text;
using System.Text.Json.Nodes;
using Microsoft.Extensions.Configuration;
using Titration.Sandbox.Storing;
using Titration.Worker.Commands;
using Titration.Worker.Configuration;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>The checks of the demo fail where they should: each on a history of the FHIR store that the service would never leave.</summary>
public sealed class DemoReplayTests
{
    private static readonly DateTimeOffset Ordered = new(2026, 3, 1, 10, 0, 0, TimeSpan.Zero);

    private readonly List<StoredVersion> _versions = [];

    public DemoReplayTests() => Store("MedicationRequest", "rx-1", Ordered, new JsonObject
    {
        ["status"] = "active",
        ["intent"] = "order",
        ["medicationCodeableConcept"] = new JsonObject
        {
            ["coding"] = new JsonArray(new JsonObject { ["system"] = "http://www.whocc.no/atc", ["code"] = "D10AD01" }),
            ["text"] = "tretinoin 0.025 % cream",
        },
        ["subject"] = Patient(),
        ["authoredOn"] = Instant(Ordered),
        ["dosageInstruction"] = new JsonArray(new JsonObject
        {
            ["timing"] = new JsonObject { ["repeat"] = new JsonObject { ["frequency"] = 1, ["period"] = 2, ["periodUnit"] = "d" } },
            ["doseAndRate"] = new JsonArray(new JsonObject
            {
                ["doseQuantity"] = new JsonObject { ["value"] = 0.25m, ["unit"] = "g", ["system"] = "http://unitsofmeasure.org", ["code"] = "g" },
            }),
        }),
    });

    [Fact]
    public void A_request_that_the_core_asks_for_is_fine()
    {
        Say("1", Day(8), "active", "silence", "reminder");
        Assert.Empty(Violations(Day(8)));
    }

    [Fact]
    public void A_request_that_still_stands_after_its_time_is_found()
    {
        Say("1", Day(7), "active", "silence", "reminder");
        Assert.Equal([DemoCheck.WithoutGrounds], Violations(Day(7), Day(12)));
    }

    [Fact]
    public void A_message_that_the_core_knows_nothing_of_is_found()
    {
        Say("1", Day(3), "active", "supply", "reminder");
        Assert.Equal([DemoCheck.WithoutGrounds], Violations(Day(3)));
    }

    [Fact]
    public void A_step_up_too_early_and_on_silence_is_found()
    {
        Say("1", Day(3), "draft", "order", "instruction");
        Assert.Equal([DemoCheck.WithoutGrounds, DemoCheck.TooEarly, DemoCheck.OnSilence], Violations(Day(3)));
    }

    [Fact]
    public void Two_open_step_changes_are_found()
    {
        Say("1", Day(20), "draft", "gap", "instruction");
        Say("2", Day(20), "draft", "gap", "instruction");
        Assert.Contains(DemoCheck.TwoStepChanges, Violations(Day(20)));
    }

    [Fact]
    public void Two_messages_on_a_day_are_found()
    {
        Say("1", Day(8), "active", "silence", "reminder");
        Say("2", Day(8).AddHours(3), "active", "silence", "reminder");
        Assert.Contains(DemoCheck.TwoMessagesADay, Violations(Day(8)));
    }

    private DemoCheck[] Violations(params DateTimeOffset[] instants)
    {
        List<string> problems = [];
        Settings settings = Settings.From(new ConfigurationBuilder().Build(), problems) ?? throw new InvalidOperationException(string.Join('\n', problems));
        DemoReplay replay = new(settings);
        replay.Play(_versions, [Ordered, .. instants]);
        return [.. replay.Violations.Select(v => v.Check).Distinct().Order()];
    }

    private void Say(string id, DateTimeOffset at, string status, string rule, string category) => Store("CommunicationRequest", id, at, new JsonObject
    {
        ["status"] = status,
        ["category"] = new JsonArray(Concept(category)),
        ["priority"] = "routine",
        ["subject"] = Patient(),
        ["recipient"] = new JsonArray(Patient()),
        ["reasonCode"] = new JsonArray(Concept(rule)),
        ["authoredOn"] = Instant(at),
    });

    private void Store(string type, string id, DateTimeOffset at, JsonObject content)
    {
        content["resourceType"] = type;
        content["id"] = id;
        content["meta"] = new JsonObject { ["versionId"] = "1", ["lastUpdated"] = Instant(at) };
        _versions.Add(new StoredVersion(type, id, 1, at, Posted: false, Encoding.UTF8.GetBytes(content.ToJsonString())));
    }

    private static DateTimeOffset Day(int day) => new DateTimeOffset(2026, 3, 1, 10, 0, 0, TimeSpan.Zero).AddDays(day);

    private static JsonObject Patient() => new() { ["reference"] = "Patient/px-1" };

    private static JsonObject Concept(string code) => new() { ["coding"] = new JsonArray(new JsonObject { ["code"] = code }) };

    private static string Instant(DateTimeOffset at) => at.ToString("yyyy-MM-dd'T'HH:mm:ss'Z'", null);
}
