using System.Text.Json.Nodes;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>Late, amended, withdrawn: what stands in the end does not depend on the order in which it was heard of.</summary>
public sealed class ArrivalOrderTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task Amended_and_late_check_ins_in_any_order_leave_the_same_standing() => await AssertAnyOrderAsync(14, patient =>
    [
        _days.Order(patient),
        _days.CheckIn(patient, 5, applied: 3, burning: 2),
        Later(_days.CheckIn(patient, 5, applied: 3, burning: 1, version: "2"), 6, c => c["status"] = "amended"),
        _days.CheckIn(patient, 13, applied: 4),
    ]);

    [Fact]
    public async Task A_finding_entered_in_error_is_withdrawn_in_any_order() => await AssertAnyOrderAsync(8, patient =>
    [
        _days.Order(patient),
        _days.CheckIn(patient, 5, applied: 3),
        _days.Swelling(patient, 6),
        Later(_days.Swelling(patient, 6), 7, s => (s["status"], s["meta"]!["versionId"]) = ("entered-in-error", "2")),
    ]);

    [Fact]
    public async Task A_finding_that_was_deleted_is_withdrawn_in_any_order() => await AssertAnyOrderAsync(8, patient =>
    [
        _days.Order(patient),
        _days.CheckIn(patient, 5, applied: 3),
        _days.Swelling(patient, 6),
        FhirJson.Deletion("Observation", $"swelling-{patient}-6", at: Text(7)),
    ]);

    [Fact]
    public async Task A_finding_whose_later_version_is_about_something_else_is_withdrawn()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(8)), Cancelled);
        await worker.PutAsync(FhirJson.Patient("other"), Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("other"));
        string before = await worker.StandingAsync("other", Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Swelling("other", 6));
        string between = await worker.StandingAsync("other", Cancelled);

        await worker.TakeInAsync(
            Cancelled, Later(_days.Swelling("other", 6), 7, s => (s["code"], s["meta"]!["versionId"]) = (FhirJson.Concept(FhirJson.Snomed, "271649006"), "2")));

        Assert.Contains("stop-finding", between, StringComparison.Ordinal);
        Assert.Equal(before, await worker.StandingAsync("other", Cancelled));
    }

    [Fact]
    public async Task A_swelling_that_was_withdrawn_is_taken_back_from_the_FHIR_server()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(8)), Cancelled);
        await worker.PutAsync(FhirJson.Patient("back"), Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("back"), _days.Swelling("back", 6));
        await worker.DeliverAsync(Cancelled);
        Assert.Equal(2, (await worker.SearchAsync("CommunicationRequest", Cancelled)).Count(r => r["priority"]!.GetValue<string>() == "stat"));

        await worker.TakeInAsync(Cancelled, FhirJson.Deletion("Observation", "swelling-back-6", at: Text(7)));
        await worker.DeliverAsync(Cancelled);

        JsonObject[] urgent = [.. (await worker.SearchAsync("CommunicationRequest", Cancelled)).Where(r => r["priority"]!.GetValue<string>() == "stat")];
        Assert.All(urgent, r => Assert.Equal("revoked", r["status"]!.GetValue<string>()));
        Assert.All((await worker.SearchAsync("Task", Cancelled)).Where(t => t["priority"]!.GetValue<string>() == "stat"), t => Assert.Equal("cancelled", t["status"]!.GetValue<string>()));
    }

    /// <summary>Delivers the messages in every order there is, each to a patient of its own, and compares what stands.</summary>
    private async Task AssertAnyOrderAsync(int day, Func<string, JsonObject[]> messages)
    {
        ShiftedClock clock = new(_days.At(day));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        string? expected = null;
        int number = 0;
        foreach (int[] order in Orders(messages("any").Length))
        {
            string patient = $"order-{++number:000}";
            await worker.PutAsync(FhirJson.Patient(patient), Cancelled);
            JsonObject[] bodies = messages(patient);
            await worker.TakeInAsync(Cancelled, order.Select(i => bodies[i]));
            // A deletion that overtook what it deletes is tried again after a minute.
            clock.MoveTo(clock.GetUtcNow().AddMinutes(1));
            await worker.RetryWaitingAsync(Cancelled);

            string standing = await worker.StandingAsync(patient, Cancelled);

            expected ??= standing;
            Assert.True(expected == standing, $"in the order {string.Join(", ", order)} stands\n{standing}\nand not\n{expected}");
        }

        Assert.False(string.IsNullOrEmpty(expected));
    }

    private static IEnumerable<int[]> Orders(int count) => count == 0
        ? [[]]
        : Orders(count - 1).SelectMany(shorter => Enumerable.Range(0, count).Select(at => (int[])[.. shorter[..at], count - 1, .. shorter[at..]]));

    private JsonObject Later(JsonObject resource, int day, Action<JsonObject> change) =>
        resource.With(change).With(r => r["meta"]!["lastUpdated"] = Text(day));

    private string Text(int day) => _days.At(day, 12).ToString("yyyy-MM-ddTHH:mm:ssZ");
}
