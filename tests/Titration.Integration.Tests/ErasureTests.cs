using System.Text;
using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Titration.Worker.Access;
using Titration.Worker.Configuration;
using Titration.Worker.Privacy;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary><c>titration patient erase</c> on RabbitMQ and PostgreSQL, beside a worker.</summary>
public sealed class ErasureTests : IDisposable
{
    private const string Key = "the clinic's own key, forty characters..";

    private readonly Planted _planted = new($"zm{Guid.NewGuid():N}"[..14]);
    private readonly ClinicDays _days = ClinicDays.LongAgo();
    private readonly string _folder = Directory.CreateTempSubdirectory("titration-erasure-").FullName;

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public void Dispose() => Directory.Delete(_folder, recursive: true);

    [Fact]
    public async Task Nothing_of_an_erased_patient_is_left_in_the_database_or_in_the_error_queue_and_the_ledger_holds()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        Dictionary<string, string> settings = parts.Settings();
        settings["Titration:Privacy:Key"] = Key;
        await using RunningWorker worker = await RunningWorker.StartAsync(settings, TimeProvider.System, Cancelled);
        string erased = _planted.Swollen;
        foreach (JsonObject patient in _planted.Patients())
        {
            await parts.Peer.PutAsync(patient, Cancelled);
        }

        await parts.Broker.PublishAsync(Cancelled, [.. _planted.Resources(), _days.Order("other")]);
        await parts.Broker.PublishAsync([("Observation", _planted.Order(erased).ToUtf8()[..^30])], Cancelled);
        byte[][] defects = [Defect("other", 1), Defect(erased, 2), Defect("other", 3), Defect(erased, 4), Defect("other", 5)];
        foreach (byte[] defect in defects)
        {
            await parts.Broker.PublishAsync("Observation", "application/vnd.masstransit+json", defect, Cancelled);
        }

        await Eventually.HoldsAsync("defects in the error queue", async () => await parts.Broker.DepthAsync(Broker.ErrorQueue, Cancelled) == defects.Length, Cancelled);
        await Eventually.HoldsAsync("the referral on the FHIR server", () => IsKnownAsync(parts, erased), Cancelled);
        await Eventually.HoldsAsync("the other patient", () => WorkerState.IsKnownAsync(parts, "other", Cancelled), Cancelled);
        IReadOnlyList<byte[]> inOrder = await parts.Broker.BodiesAsync(Broker.ErrorQueue, Cancelled);
        await VerifyAsync(parts);
        Assert.NotEqual(0, await MentionsAsync(parts, erased));

        CommandOutput done = await EraseAsync(settings, erased);

        Assert.True(done.ExitCode == 0, done.Errors);
        JsonNode said = JsonNode.Parse(done.Output)!;
        Assert.Equal((2, 1), (said["inErrorQueues"]!.GetValue<int>(), said["held"]!["quarantine"]!.GetValue<int>()));
        Assert.Contains(said["onFhirServer"]!.AsArray(), r => r!["open"]!.GetValue<bool>());
        await VerifyAsync(parts);
        Assert.Equal(0, await MentionsAsync(parts, erased));
        Assert.Equal(Texts(inOrder.Where(b => !Encoding.UTF8.GetString(b).Contains(erased, StringComparison.Ordinal))), Texts(await parts.Broker.BodiesAsync(Broker.ErrorQueue, Cancelled)));

        // Late: one that can be read, and one that cannot.
        await parts.Broker.PublishAsync([("Observation", _planted.Order(erased).ToUtf8()), ("Observation", _planted.Order(erased).ToUtf8()[..^30])], Cancelled);
        await parts.Broker.PublishAsync(Cancelled, _days.Order("after"));
        await Eventually.HoldsAsync("the next patient", () => WorkerState.IsKnownAsync(parts, "after", Cancelled), Cancelled);
        await Eventually.HoldsAsync("an empty queue", async () => await parts.Broker.DepthAsync(Broker.Queue, Cancelled) == 0, Cancelled);
        Assert.Equal(0, await MentionsAsync(parts, erased));
        await VerifyAsync(parts);
    }

    [Fact]
    public async Task Reading_the_error_queue_through_keeps_the_others_in_their_order_also_where_it_breaks_off()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        byte[][] defects = [.. Enumerable.Range(1, 9).Select(i => Defect(i % 3 == 0 ? "gone" : "kept", i))];
        await using (RunningWorker worker = await parts.StartAsync(TimeProvider.System, Cancelled))
        {
            foreach (byte[] defect in defects)
            {
                await parts.Broker.PublishAsync("Observation", "application/vnd.masstransit+json", defect, Cancelled);
                uint before = (uint)Array.IndexOf(defects, defect);
                await Eventually.HoldsAsync("the defect", async () => await parts.Broker.DepthAsync(Broker.ErrorQueue, Cancelled) == before + 1, Cancelled);
            }
        }

        BrokerOptions broker = new() { Uri = parts.Broker.Address.AbsoluteUri };
        await using (ErrorQueues cut = await ErrorQueues.ConnectAsync(broker, new Tls([], null), Cancelled))
        {
            int read = 0;
            await Assert.ThrowsAsync<InvalidOperationException>(() => cut.SiftAsync(
                Broker.ErrorQueue, _ => ++read < 5 ? read == 3 : throw new InvalidOperationException("as far as it got"), Cancelled));
        }

        // The third was removed; whatever was handed out beside it is in its place again.
        Assert.Equal(Texts(defects.Where((_, i) => i != 2)), Texts(await WaitedForAsync(parts, 8)));

        // Far more often than the broker hands one message out.
        for (int time = 0; time < 25; time++)
        {
            await using ErrorQueues queues = await ErrorQueues.ConnectAsync(broker, new Tls([], null), Cancelled);
            Assert.Equal(time == 24 ? 2 : 0, await queues.SiftAsync(
                Broker.ErrorQueue, body => time == 24 && PatientTellingOf(body), Cancelled));
        }

        Assert.Equal(Texts(defects.Where((_, i) => (i + 1) % 3 != 0)), Texts(await WaitedForAsync(parts, 6)));

        static bool PatientTellingOf(ReadOnlyMemory<byte> body) => Fhir.Reading.Mentions.Patients(body).Contains("gone");
    }

    [Fact]
    public async Task An_erasure_waits_for_what_is_being_taken_in_and_what_comes_meanwhile_waits_for_the_erasure()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using TitrationDbContext taking = parts.Open();
        await using var intake = await taking.Database.BeginTransactionAsync(Cancelled);
        Assert.Empty(await taking.ErasedAmongAsync([[1]], [9], Cancelled));

        await using TitrationDbContext erasing = parts.Open();
        await using var erasure = await erasing.Database.BeginTransactionAsync(Cancelled);
        Task<HeldOfPatient> erased = erasing.EraseAsync("p", [1], [9], (_, _) => Telling.NotOfPatient, _days.At(1), null, Cancelled);
        await Eventually.HoldsAsync("the erasure waiting", () => IsWaitingAsync(parts), Cancelled);
        // Taken in before the erasure began: it goes with the rest.
        await taking.LoadPatientsAsync(["p"], Cancelled);
        await taking.SaveChangesAsync(Cancelled);
        await intake.CommitAsync(Cancelled);
        await erased;

        await using TitrationDbContext late = parts.Open();
        await using var lateIntake = await late.Database.BeginTransactionAsync(Cancelled);
        Task<System.Collections.Immutable.ImmutableArray<byte[]>> asked = late.ErasedAmongAsync([[1]], [9], Cancelled);
        await Eventually.HoldsAsync("the intake waiting", () => IsWaitingAsync(parts), Cancelled);
        await erasure.CommitAsync(Cancelled);

        Assert.Single(await asked);
        Assert.False(await WorkerState.IsKnownAsync(parts, "p", Cancelled));
    }

    private async Task<CommandOutput> EraseAsync(Dictionary<string, string> settings, string patient) => await TitrationProcess.RunAsync(
        _folder, null, settings,
        ["patient", "erase", patient, "--yes", "--json"], Cancelled);

    /// <summary>In an envelope that is none: the transport puts it aside as it is.</summary>
    private byte[] Defect(string patient, int number) => _days.CheckIn(patient, number, applied: 1).ToUtf8();

    private static Task<IReadOnlyList<byte[]>> WaitedForAsync(Surroundings parts, int count) =>
        Eventually.CountsAsync("messages in the error queue", count, () => parts.Broker.BodiesAsync(Broker.ErrorQueue, Cancelled), Cancelled);

    private static IEnumerable<string> Texts(IEnumerable<byte[]> bodies) => [.. bodies.Select(Encoding.UTF8.GetString)];

    private static async Task<bool> IsKnownAsync(Surroundings parts, string patient)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.SentResources.AnyAsync(s => database.Communications.Any(c => c.Key == s.CommunicationKey && c.Patient == patient), Cancelled)
            && await database.Quarantine.AnyAsync(Cancelled);
    }

    private static async Task<bool> IsWaitingAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        return (await database.Database.SqlQuery<int>($"SELECT count(*)::int AS \"Value\" FROM pg_locks WHERE locktype = 'advisory' AND NOT granted AND database = (SELECT oid FROM pg_database WHERE datname = current_database())")
            .ToListAsync(Cancelled))[0] == 1;
    }

    private static async Task VerifyAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        List<ChainResult> results = await database.VerifyLedgerAsync([], Cancelled).ToListAsync(Cancelled);
        Assert.NotEmpty(results);
        Assert.All(results, result => Assert.Null(result.Break));
    }

    private static async Task<int> MentionsAsync(Surroundings parts, string text)
    {
        await using TitrationDbContext database = parts.Open();
        int mentions = 0;
        foreach (var type in database.Model.GetEntityTypes())
        {
            foreach (var property in type.GetProperties().Where(p => p.ClrType == typeof(string) || p.ClrType == typeof(byte[])))
            {
                string column = property.ClrType == typeof(string) ? property.GetColumnName() : $"encode({property.GetColumnName()}, 'escape')";
                string query = $"SELECT count(*)::int AS \"Value\" FROM {type.GetTableName()} WHERE {column} LIKE {{0}}";
                mentions += (await database.Database.SqlQueryRaw<int>(query, $"%{text}%").ToListAsync(Cancelled))[0];
            }
        }

        return mentions;
    }
}
