using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>The worker as a process of its own, killed without warning.</summary>
public sealed class KillTests
{
    private const int Patients = 10;

    // On the real clock: the swelling was yesterday.
    private readonly ClinicDays _days = ClinicDays.DaysAgo(6);

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task A_worker_killed_between_messages_and_started_again_has_said_everything_once()
    {
        string[] names = [.. Enumerable.Range(1, Patients).Select(i => $"killed-{i:00}")];
        string folder = Directory.CreateTempSubdirectory("titration-kill-").FullName;
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, names);
        Dictionary<string, string> settings = parts.Settings();
        await using (TitrationProcess victim = TitrationProcess.Start(folder, settings, "run"))
        {
            await victim.LineAsync("titration is running", Cancelled);
            await parts.Broker.PublishAsync(Cancelled, names.SelectMany(n => new[] { _days.Order(n), _days.Swelling(n, 5) }));
            await Eventually.HoldsAsync("some of the facts", async () => (await WorkerState.FactsAsync(parts, Cancelled)).Count >= Patients / 2, Cancelled);
            await victim.KillAsync();
        }

        Assert.NotEqual(0, await WorkerState.UnsentAsync(parts, Cancelled) + (2 * Patients) - (await WorkerState.FactsAsync(parts, Cancelled)).Count);
        await EndLeasesOfTheDeadAsync(parts);
        await using TitrationProcess heir = TitrationProcess.Start(folder, settings, "run");

        await Eventually.CountsAsync("facts", 2 * Patients, () => WorkerState.FactsAsync(parts, Cancelled), Cancelled);
        await Eventually.HoldsAsync("an empty outbox", async () => await WorkerState.UnsentAsync(parts, Cancelled) == 0, Cancelled);
        IReadOnlyList<SentCommunication> sent = await parts.Peer.CommunicationsAsync(Cancelled);
        Assert.Equal(names, sent.Where(c => c is { Kind: "alert", IsOpen: true }).Select(c => c.Patient).Order(StringComparer.Ordinal), StringComparer.Ordinal);
        Assert.Equal(names, sent.Where(c => c is { Kind: "instruction", IsOpen: true }).Select(c => c.Patient).Order(StringComparer.Ordinal), StringComparer.Ordinal);
        Assert.Equal(sent.Count, sent.Select(c => c.Identifier).Distinct(StringComparer.Ordinal).Count());
        await parts.AssertNoErrorAsync(Cancelled);
        Directory.Delete(folder, recursive: true);
    }

    /// <summary>Lets the time of the leases pass that the killed worker held: minutes on the database's clock.</summary>
    private static async Task EndLeasesOfTheDeadAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        await database.Database.ExecuteSqlAsync($"UPDATE outbox SET lease_until = now() WHERE state = 'leased'", Cancelled);
    }
}
