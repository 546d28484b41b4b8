using System.Diagnostics;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests.Faults;

/// <summary>Of two workers, as they run at a clinic, one is killed in the middle of its work: the other has taken all of it over within 30 seconds.</summary>
public sealed class TakeoverTests
{
    private const int Patients = 8;
    private static readonly TimeSpan Within = TimeSpan.FromSeconds(30);

    // On the real clock: the swelling was yesterday.
    private readonly ClinicDays _days = ClinicDays.DaysAgo(6);

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task Its_messages_and_its_emergencies_reach_the_FHIR_server_within_30_seconds()
    {
        string[] names = [.. Enumerable.Range(1, Patients).Select(i => $"taken-over-{i}")];
        string folder = Directory.CreateTempSubdirectory("titration-takeover-").FullName;
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, names);
        await using FhirProxy proxy = await FhirProxy.StartAsync(parts.Peer.FhirBase, Cancelled);
        Dictionary<string, string> settings = parts.Settings();
        settings["Titration:FhirServer:TimeoutSeconds"] = "30";
        settings["Titration:FhirServer:BaseUrl"] = proxy.FhirBase.AbsoluteUri;
        await using TitrationProcess victim = TitrationProcess.Start(folder, settings, "run");
        await victim.LineAsync("titration is running", Cancelled);
        await parts.Broker.PublishAsync(Cancelled, names.Select(_days.Order));
        await Eventually.HoldsAsync("the orders", async () => (await WorkerState.FactsAsync(parts, Cancelled)).Count == Patients, Cancelled);
        await Eventually.HoldsAsync("nothing unsent", async () => await WorkerState.UnsentAsync(parts, Cancelled) == 0, Cancelled);

        // Everything that it sends now gets stuck on the way: it holds the leases, stat ones among them, and prolongs them.
        Task stuck = proxy.StallAsync(Cancelled);
        await parts.Broker.PublishAsync(Cancelled, names.Select(n => _days.Swelling(n, 5)));
        await Eventually.HoldsAsync("leases of emergencies", async () => await LeasedStatAsync(parts) > 0, Cancelled);
        await using TitrationProcess heir = TitrationProcess.Start(folder, settings, "run");
        await heir.LineAsync("titration is running", Cancelled);

        // These come while it still lives, and some stay unacknowledged in its hands.
        await parts.Broker.PublishAsync(Cancelled, names.Select(n => _days.CheckIn(n, 5, applied: 3)));
        await victim.KillAsync();
        long killed = Stopwatch.GetTimestamp();
        proxy.Flow();
        await stuck;

        await Eventually.BecomesAsync<IReadOnlyList<SentCommunication>>(
            "an alert for each patient", async () => [.. (await parts.Peer.CommunicationsAsync(Cancelled)).Where(c => c is { Kind: "alert", IsOpen: true })],
            all => all.Count >= Patients, Cancelled);
        await Eventually.HoldsAsync("the check-ins", async () => (await WorkerState.FactsAsync(parts, Cancelled)).Count == 3 * Patients, Cancelled);
        await Eventually.HoldsAsync("nothing unsent", async () => await WorkerState.UnsentAsync(parts, Cancelled) == 0, Cancelled);
        TimeSpan took = Stopwatch.GetElapsedTime(killed);

        Assert.True(took <= Within, $"it took {took.TotalSeconds:0.0} s");
        IReadOnlyList<SentCommunication> sent = await parts.Peer.CommunicationsAsync(Cancelled);
        Assert.Equal(names, sent.Where(c => c is { Kind: "alert", IsOpen: true }).Select(c => c.Patient).Order(StringComparer.Ordinal), StringComparer.Ordinal);
        Assert.Equal(sent.Count, sent.Select(c => c.Identifier).Distinct(StringComparer.Ordinal).Count());
        await parts.AssertNoErrorAsync(Cancelled);
    }

    [Fact]
    public async Task The_patients_that_it_was_looking_at_are_looked_at_within_30_seconds()
    {
        string[] names = [.. Enumerable.Range(1, Patients).Select(i => $"looked-at-{i}")];
        string folder = Directory.CreateTempSubdirectory("titration-takeover-").FullName;
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, names);
        Dictionary<string, string> settings = parts.Settings();
        await using TitrationProcess victim = TitrationProcess.Start(folder, settings, "run");
        await victim.LineAsync("titration is running", Cancelled);
        await parts.Broker.PublishAsync(Cancelled, names.Select(_days.Order));
        await Eventually.HoldsAsync("the orders", async () => (await WorkerState.FactsAsync(parts, Cancelled)).Count == Patients, Cancelled);

        // Somebody holds the patients: the sweep of the only worker has claimed them, and its job stands in the middle while the other worker comes up.
        await using TitrationDbContext holding = parts.Open();
        await using var transaction = await holding.Database.BeginTransactionAsync(Cancelled);
        await holding.Database.ExecuteSqlAsync($"SELECT id FROM chain FOR UPDATE", Cancelled);
        await holding.Database.ExecuteSqlAsync($"LOCK TABLE course IN ACCESS EXCLUSIVE MODE", Cancelled);
        await MakeDueAsync(parts);
        await Eventually.HoldsAsync("the sweep in the middle", async () => await LeasedPatientsAsync(parts) == Patients, Cancelled);
        await using TitrationProcess heir = TitrationProcess.Start(folder, settings, "run");
        await heir.LineAsync("titration is running", Cancelled);
        await victim.KillAsync();
        await transaction.RollbackAsync(Cancelled);

        long killed = Stopwatch.GetTimestamp();
        await Eventually.HoldsAsync("nothing due", async () => await DueAsync(parts) == 0, Cancelled);
        TimeSpan took = Stopwatch.GetElapsedTime(killed);

        Assert.True(took <= Within, $"it took {took.TotalSeconds:0.0} s");
    }

    private static async Task MakeDueAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        await database.Database.ExecuteSqlAsync($"UPDATE patient SET next_look = now() - interval '1 minute'", Cancelled);
    }

    private static async Task<int> LeasedPatientsAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Patients.CountAsync(p => p.LeasedUntil != null, Cancelled);
    }

    private static async Task<int> DueAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        DateTimeOffset now = TimeProvider.System.GetUtcNow();
        return await database.Patients.CountAsync(p => p.NextLook <= now, Cancelled);
    }

    private static async Task<int> LeasedStatAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Outbox.CountAsync(o => o.State == OutboxState.Leased && o.Rank == 0, Cancelled);
    }
}
