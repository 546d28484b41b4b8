using System.Data.Common;
using Microsoft.EntityFrameworkCore;
using Titration.Storage.Ledger;

namespace Titration.Storage.Tests.Tampering;

/// <summary>Whatever is changed in the database behind the service's back, before the last exported checkpoint, is found; and nothing else is.</summary>
public abstract class TamperingSuite(DatabaseFixture fixture, int tamperings, int cleanRuns) : IAsyncLifetime
{
    private readonly string _folder = Directory.CreateTempSubdirectory("titration-tampering-").FullName;
    private readonly LedgerKey _key = LedgerKey.Create();

    private static CancellationToken Token => TestContext.Current.CancellationToken;

    public async ValueTask InitializeAsync() => await fixture.EmptyAsync();

    public ValueTask DisposeAsync()
    {
        _key.Dispose();
        Directory.Delete(_folder, recursive: true);
        GC.SuppressFinalize(this);
        return ValueTask.CompletedTask;
    }

    [Fact]
    public async Task Every_tampering_with_what_an_exported_checkpoint_seals_is_found()
    {
        CheckpointFolder folder = new(Path.Combine(_folder, "sealed"));
        RecordedClinic clinic = new(fixture, folder, _key, new Random(1));
        await clinic.RecordAsync(turns: 24, patients: 4, erasures: false, Token);
        await clinic.EraseAsync("p3", Token);
        await clinic.SealAsync(Token);
        await clinic.RecordAsync(turns: 4, patients: 3, erasures: false, Token);
        Assert.Empty(await FindAsync(folder, _ => Task.FromResult("")));

        Dictionary<string, int> found = new(StringComparer.Ordinal);
        List<string> missed = [];
        int tried = 0;
        for (int seed = 0; tried < tamperings; seed++)
        {
            Random random = new(seed);
            string did = "";
            List<LedgerFinding> findings;
            try
            {
                findings = await FindAsync(folder, async database =>
                {
                    Intruder intruder = new(database, random, Token);
                    (string name, Func<Task> act) = intruder.Ways[random.Next(intruder.Ways.Count)];
                    await act();
                    return did = $"{name}: {intruder.Did}";
                });
            }
            catch (Exception refused) when (refused is DbException or NotSupportedException)
            {
                // The database itself does not take it, such as two rows under one key: nothing was changed.
                continue;
            }

            tried++;
            string way = did.Split(':')[0];
            found[way] = found.GetValueOrDefault(way) + (findings.Count > 0 ? 1 : 0);
            if (findings.Count == 0)
            {
                missed.Add($"seed {seed}, {did}");
            }
        }

        Assert.True(missed.Count == 0, string.Join('\n', missed));
        Assert.Equal(11, found.Count);
        TestContext.Current.TestOutputHelper?.WriteLine($"{tried} tamperings, {found.Values.Sum()} found: {string.Join(", ", found.Select(f => $"{f.Key} {f.Value}"))}");
    }

    [Fact]
    public async Task A_record_that_nobody_touched_raises_no_alarm()
    {
        for (int run = 0; run < cleanRuns; run++)
        {
            await fixture.EmptyAsync();
            CheckpointFolder folder = new(Path.Combine(_folder, $"clean-{run}"));
            await new RecordedClinic(fixture, folder, _key, new Random(1000 + run)).RecordAsync(turns: 5 + (run % 20), patients: 1 + (run % 5), erasures: run % 2 == 0, Token);
            List<LedgerFinding> findings = await FindAsync(folder, _ => Task.FromResult(""));
            Assert.True(findings.Count == 0, $"run {run}: {string.Join("; ", findings)}");
        }
    }

    /// <summary>Does something to the database, verifies it, and undoes it.</summary>
    private async Task<List<LedgerFinding>> FindAsync(CheckpointFolder folder, Func<TitrationDbContext, Task<string>> act)
    {
        await using TitrationDbContext database = fixture.Open();
        await database.Database.OpenConnectionAsync(Token);
        await database.Database.ExecuteSqlRawAsync(database.Database.IsNpgsql() ? "SET session_replication_role = replica" : "PRAGMA foreign_keys = OFF", Token);
        await using var transaction = await database.Database.BeginTransactionAsync(Token);
        await act(database);
        List<LedgerFinding> findings = await database.FindAllAsync([_key], folder, _ => { }, Token).ToListAsync(Token);
        await transaction.RollbackAsync(Token);
        await database.Database.ExecuteSqlRawAsync(database.Database.IsNpgsql() ? "SET session_replication_role = DEFAULT" : "PRAGMA foreign_keys = ON", Token);
        return findings;
    }
}

public sealed class TamperingOnSqlite(ThrowawaySqliteFixture fixture) : TamperingSuite(fixture, tamperings: 1000, cleanRuns: 100), IClassFixture<ThrowawaySqliteFixture>;

public sealed class TamperingOnPostgres(PostgresFixture fixture) : TamperingSuite(fixture, tamperings: 60, cleanRuns: 5), IClassFixture<PostgresFixture>;
