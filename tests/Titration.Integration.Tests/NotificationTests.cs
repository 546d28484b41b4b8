using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Intake;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>Messages that only name a resource: it is fetched from the clinic's FHIR server.</summary>
public sealed class NotificationTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task Named_resources_are_fetched_and_taken_in()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "named");
        await parts.Peer.PutAsync(_days.Order("named"), Cancelled);
        await parts.Peer.PutAsync(_days.CheckIn("named", 5, applied: 3), Cancelled);
        await using RunningWorker worker = await parts.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);

        await parts.Broker.PublishAsync(Cancelled, Named("MedicationRequest/rx-named", "Observation/check-named-5", "Observation/never-there"));

        await Eventually.CountsAsync("facts", 2, () => WorkerState.FactsAsync(parts, Cancelled), Cancelled);
        await AssertNothingSetAsideAsync(parts);
    }

    [Fact]
    public async Task A_named_resource_that_is_gone_counts_as_entered_in_error()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "gone");
        // The real clock: a deletion without a date of its own counts from when it was heard of.
        ClinicDays days = ClinicDays.DaysAgo(6);
        await parts.Peer.PutAsync(days.Order("gone"), Cancelled);
        await using RunningWorker worker = await parts.StartAsync(TimeProvider.System, Cancelled);
        await parts.Broker.PublishAsync(Cancelled, Named("MedicationRequest/rx-gone"));
        await Eventually.HoldsAsync("the course", async () => await WorkerState.OutcomesAsync(parts, Cancelled) is ["Maintain"], Cancelled);

        await parts.Peer.DeleteAsync("MedicationRequest/rx-gone", Cancelled);
        await parts.Broker.PublishAsync(Cancelled, Named("MedicationRequest/rx-gone"));

        await Eventually.HoldsAsync("the end of the course", async () => await WorkerState.OutcomesAsync(parts, Cancelled) is ["ended"], Cancelled);
        await AssertNothingSetAsideAsync(parts);
    }

    [Fact]
    public async Task A_named_resource_waits_for_the_server_however_often_it_is_tried_in_vain()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "waiting");
        await parts.Peer.PutAsync(_days.Order("waiting"), Cancelled);
        await parts.Peer.FaultsAsync(Cancelled, new Fault("GET /fhir/MedicationRequest", Times: 100, Status: 503, RetryAfter: 1));
        ShiftedClock clock = new(_days.At(6));
        await using RunningWorker worker = await parts.StartAsync(clock, Cancelled);
        await parts.Broker.PublishAsync(Cancelled, Named("MedicationRequest/rx-waiting"));
        await Eventually.HoldsAsync("the notification to wait", async () => await WaitingAsync(parts) == 1, Cancelled);

        foreach (int hours in new[] { 1, 3, 6 })
        {
            clock.MoveTo(_days.At(6, hours));
            await worker.RetryWaitingAsync(Cancelled);
            Assert.Equal(1, await WaitingAsync(parts));
        }

        await parts.Peer.FaultsAsync(Cancelled);
        clock.MoveTo(_days.At(6, 12));
        await worker.RetryWaitingAsync(Cancelled);

        Assert.Equal(["MedicationRequest/rx-waiting"], await WorkerState.FactsAsync(parts, Cancelled));
        Assert.Equal(0, await WaitingAsync(parts));
    }

    [Fact]
    public async Task A_named_resource_that_the_server_refuses_to_give_is_kept_in_quarantine_and_taken_in_after_the_fix()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "forbidden");
        await parts.Peer.PutAsync(_days.Order("forbidden"), Cancelled);
        await parts.Peer.FaultsAsync(Cancelled, new Fault("GET /fhir/MedicationRequest", Times: 1, Status: 403));
        await using RunningWorker worker = await parts.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);

        await parts.Broker.PublishAsync(Cancelled, Named("MedicationRequest/rx-forbidden"));
        QuarantineRow held = (await Eventually.BecomesAsync("the notification in quarantine", () => QuarantineAsync(parts), q => q is not null, Cancelled))!;
        Assert.Equal("reference-refused", held.Reason);
        await using (TitrationDbContext database = parts.Open())
        {
            await database.RequestRetryAsync(held.Id, Cancelled);
        }

        await worker.RetryWaitingAsync(Cancelled);
        Assert.Equal(["MedicationRequest/rx-forbidden"], await WorkerState.FactsAsync(parts, Cancelled));
    }

    /// <summary>A history page without content.</summary>
    private static JsonObject Named(params IEnumerable<string> references) => new()
    {
        ["resourceType"] = "Bundle",
        ["type"] = "history",
        ["entry"] = new JsonArray([.. references.Select(reference => new JsonObject
        {
            ["fullUrl"] = $"https://fhir.clinic.example.org/r4/{reference}",
            ["request"] = new JsonObject { ["method"] = "PUT", ["url"] = reference },
            ["response"] = new JsonObject { ["status"] = "200" },
        })]),
    };

    private static async Task AssertNothingSetAsideAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        Assert.Equal(0, await database.Quarantine.CountAsync(Cancelled));
        Assert.Equal(0, await WaitingAsync(parts));
        await parts.AssertNoErrorAsync(Cancelled);
    }

    private static async Task<QuarantineRow?> QuarantineAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Quarantine.SingleOrDefaultAsync(Cancelled);
    }

    private static async Task<int> WaitingAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Waiting.CountAsync(Cancelled);
    }
}
