using System.Text;
using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Intake;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>Whatever arrives, the next good message is taken in, and nothing that can be blamed on input is taken for a defect.</summary>
public sealed class BadInputTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task What_cannot_be_read_is_quarantined_with_its_bytes_and_a_reason_and_the_next_message_is_taken_in()
    {
        byte[] truncated = _days.Order("cut").ToUtf8()[..^40];
        byte[] junk = Encoding.UTF8.GetBytes(new string('x', 5 * 1024 * 1024));
        byte[] junkInJson = Encoding.UTF8.GetBytes($$"""{"resourceType":"Observation","note":"{{new string('y', 5 * 1024 * 1024)}}"}""");
        byte[] impossible = FhirJson.CheckIn(effective: "2026-02-30T19:00:00Z", lastUpdated: "2026-03-01T19:00:00Z").ToUtf8();
        byte[] nobody = FhirJson.CheckIn().Without("subject").ToUtf8();
        byte[] unknownType = """{"resourceType":"Observatory","id":"o"}"""u8.ToArray();
        byte[] notUtf8 = [0x7b, 0xff, 0xfe, 0x7d];
        byte[] ahead = FhirJson.CheckIn(
            id: "ahead", effective: TimeProvider.System.GetUtcNow().AddDays(3).ToString("yyyy-MM-ddTHH:mm:ssZ"), lastUpdated: "2026-03-01T19:00:00Z").ToUtf8();
        byte[] unknownUnit = _days.Order("unit").With(o => o.Dose().With(d => (d["unit"], d["code"]) = ("pea", "{pea}"))).ToUtf8();
        byte[][] bad = [truncated, junk, impossible, nobody, unknownType, unknownUnit, notUtf8, ahead, []];
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using RunningWorker worker = await parts.StartAsync(TimeProvider.System, Cancelled);

        await parts.Broker.PublishAsync([.. bad.Append(junkInJson).Select(body => ("Observation", body))], Cancelled);
        await parts.Broker.PublishAsync(Cancelled, _days.Order("good"));

        await Eventually.HoldsAsync("the good message after the bad ones", () => WorkerState.IsKnownAsync(parts, "good", Cancelled), Cancelled);
        IReadOnlyList<QuarantineRow> held = await Eventually.CountsAsync("messages in quarantine", bad.Length, () => HeldAsync(parts), Cancelled);
        Assert.Equal(bad.Select(Convert.ToHexString).Order(StringComparer.Ordinal), held.Select(h => Convert.ToHexString(h.Content)).Order(StringComparer.Ordinal));
        Assert.All(held, h => Assert.True(h.Reason.Length > 0 && h.Problem.Length > 0 && h.Source == "queue"));
        await parts.AssertNoErrorAsync(Cancelled);
    }

    [Fact]
    public async Task A_Bundle_fails_entry_by_entry()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using RunningWorker worker = await parts.StartAsync(TimeProvider.System, Cancelled);

        await parts.Broker.PublishAsync(Cancelled, FhirJson.Bundle(
            "collection", _days.Order("inside"), FhirJson.CheckIn("nobody").Without("subject"), _days.CheckIn("inside", 5, applied: 3)));

        await Eventually.CountsAsync("facts of the Bundle", 2, () => WorkerState.FactsAsync(parts, Cancelled), Cancelled);
        Assert.Single(await HeldAsync(parts));
        await parts.AssertNoErrorAsync(Cancelled);
    }

    /// <summary>Sound JSON that a database might choke on: an index has its limits, and a message that always fails must not be tried for ever.</summary>
    [Fact]
    public async Task Words_longer_than_any_index_holds_do_not_stop_the_queue()
    {
        string endless = string.Concat(Enumerable.Range(0, 2000).Select(i => $"{i * 7919 % 65536:x4}"));
        JsonObject[] hostile =
        [
            _days.Order("code").With(o => o["medicationCodeableConcept"] = FhirJson.Concept("https://clinic.example.org/drugs", endless, "Tretinoin 0.025 % cream")),
            _days.Order("system").With(o => o["medicationCodeableConcept"] = FhirJson.Concept($"https://clinic.example.org/{endless}", "c1", "Tretinoin 0.025 % cream")),
            FhirJson.CheckIn(id: "version", patient: "version", version: endless),
            FhirJson.CheckIn(id: endless, patient: "id"),
            FhirJson.CheckIn(id: "patient", patient: endless),
            FhirJson.CheckIn(id: "based", patient: "based", basedOn: endless),
        ];
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        Dictionary<string, string> settings = parts.Settings();
        settings["Titration:Broker:Prefetch"] = "1";
        await using RunningWorker worker = await RunningWorker.StartAsync(settings, TimeProvider.System, Cancelled);

        await parts.Broker.PublishAsync(Cancelled, [.. hostile, _days.Order("good")]);

        await Eventually.HoldsAsync("the good message after the hostile ones", () => WorkerState.IsKnownAsync(parts, "good", Cancelled), Cancelled);
        await parts.AssertNoErrorAsync(Cancelled);
    }

    private static async Task<IReadOnlyList<QuarantineRow>> HeldAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Quarantine.Held().ToListAsync(Cancelled);
    }
}
