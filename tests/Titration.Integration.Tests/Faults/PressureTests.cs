using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests.Faults;

/// <summary>More comes than can be taken in, and one patient's record is beyond reading: neither is anybody else's trouble.</summary>
public sealed class PressureTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task While_the_database_stands_still_a_worker_holds_its_32_messages_and_the_rest_waits_at_the_broker()
    {
        const int Messages = 120, InHand = 32;
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        Dictionary<string, string> settings = parts.Settings();
        settings["Titration:Broker:Prefetch"] = $"{InHand}";
        await using RunningWorker worker = await RunningWorker.StartAsync(settings, new ShiftedClock(_days.At(1)), Cancelled);
        await using (TitrationDbContext holding = parts.Open())
        {
            await using var transaction = await holding.Database.BeginTransactionAsync(Cancelled);
            await holding.Database.ExecuteSqlAsync($"LOCK TABLE patient IN ACCESS EXCLUSIVE MODE", Cancelled);

            await parts.Broker.PublishAsync(Cancelled, Enumerable.Range(1, Messages).Select(i => FhirJson.Patient($"pressure-{i}")));

            await Eventually.HoldsAsync("its hands full", async () => await parts.Broker.DepthAsync(Broker.Queue, Cancelled) == Messages - InHand, Cancelled);
        }

        await Eventually.HoldsAsync("all of them", async () => await PatientsAsync(parts) == Messages, Cancelled);
        await parts.AssertNoErrorAsync(Cancelled);
    }

    [Fact]
    public async Task A_patient_whose_record_cannot_be_read_holds_up_nobody_else()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "poisonous", "sound");
        Dictionary<string, string> settings = parts.Settings();
        settings["Titration:Broker:Prefetch"] = "1";
        ShiftedClock clock = new(_days.At(6));
        await using RunningWorker worker = await RunningWorker.StartAsync(settings, clock, Cancelled);
        await parts.Broker.PublishAsync(Cancelled, _days.Order("poisonous"), _days.Order("sound"));
        await Eventually.HoldsAsync("both orders", async () => (await WorkerState.FactsAsync(parts, Cancelled)).Count == 2, Cancelled);
        await using (TitrationDbContext database = parts.Open())
        {
            await database.Database.ExecuteSqlAsync($"UPDATE fact SET content = '{{' WHERE patient = 'poisonous'", Cancelled);
        }

        await parts.Broker.PublishAsync(Cancelled, _days.CheckIn("poisonous", 5, applied: 3), _days.Swelling("sound", 5));

        await Eventually.HoldsAsync("the referral", async () => (await parts.Peer.CommunicationsToAsync("sound", Cancelled)).Any(c => c is { Kind: "alert", IsOpen: true }), Cancelled);
        await Eventually.HoldsAsync("the defect where defects go", async () => await parts.Broker.DepthAsync(Broker.ErrorQueue, Cancelled) == 1, Cancelled);

        // Both fall due; the sweep gets past the one.
        clock.MoveTo(_days.At(14, 1));
        await worker.SweepAsync(Cancelled);
        await using TitrationDbContext after = parts.Open();
        DateTimeOffset now = clock.GetUtcNow();
        Assert.Equal(["poisonous"], await after.Patients.Where(p => p.NextLook <= now).Select(p => p.Id).ToListAsync(Cancelled));
    }

    private static async Task<int> PatientsAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Patients.CountAsync(Cancelled);
    }
}
