using System.Diagnostics;
using Microsoft.EntityFrameworkCore;
using Npgsql;
using Titration.Protocol.Communications;
using Titration.Storage.Ledger;
using Titration.TestKit;

namespace Titration.Storage.Tests;

/// <summary>deploy/backup.sh and deploy/restore.sh on a real PostgreSQL.</summary>
public sealed class BackupTests : IAsyncLifetime
{
    private readonly string _folder = Directory.CreateTempSubdirectory("titration-backup-").FullName;
    private PostgresDatabase _database = null!;
    private PostgresDatabase _restored = null!;

    private static CancellationToken Token => TestContext.Current.CancellationToken;

    private string Backup => Path.Combine(_folder, "titration.backup");

    public async ValueTask InitializeAsync()
    {
        _database = await PostgresDatabase.CreateAsync(CancellationToken.None);
        _restored = await PostgresDatabase.CreateAsync(CancellationToken.None);
        await using TitrationDbContext database = Open(_database);
        await database.MigrateAsync(CancellationToken.None);
        await DecideAsync(_database);
    }

    public async ValueTask DisposeAsync()
    {
        await _database.DisposeAsync();
        await _restored.DisposeAsync();
        Directory.Delete(_folder, recursive: true);
    }

    [Fact]
    public async Task A_restored_backup_holds_every_row_and_a_ledger_that_is_whole()
    {
        Assert.SkipWhen(!HasClientPrograms(), "pg_dump is not installed on this machine");

        (int code, string said) = await RunAsync("backup.sh", _database, Backup);
        Assert.True(code == 0, said);
        Assert.Contains("SHA-256", said, StringComparison.Ordinal);
        (code, said) = await RunAsync("restore.sh", _restored, Backup);
        Assert.True(code == 0, said);

        await using TitrationDbContext before = Open(_database);
        await using TitrationDbContext after = Open(_restored);
        Assert.True((await after.SchemaStateAsync(Token)).IsCurrent);
        foreach (string table in before.Model.GetEntityTypes().Select(t => t.GetTableName()!))
        {
            Assert.Equal((table, await CountAsync(before, table)), (table, await CountAsync(after, table)));
        }

        await AssertWholeAsync(after);
        // The next start goes on where the backup ended.
        await DecideAsync(_restored);
        await AssertWholeAsync(after);
    }

    [Fact]
    public async Task A_backup_overwrites_no_other_and_a_restore_no_database()
    {
        Assert.SkipWhen(!HasClientPrograms(), "pg_dump is not installed on this machine");

        Assert.Equal(0, (await RunAsync("backup.sh", _database, Backup)).Code);
        (int again, string overwrite) = await RunAsync("backup.sh", _database, Backup);
        (int full, string refused) = await RunAsync("restore.sh", _database, Backup);

        Assert.Equal((2, 2), (again, full));
        Assert.Contains("is there already", overwrite, StringComparison.Ordinal);
        Assert.Contains("restore into an empty one", refused, StringComparison.Ordinal);
    }

    private static TitrationDbContext Open(PostgresDatabase database) =>
        StorageServices.CreateContext(new DatabaseOptions { Provider = DatabaseProvider.Postgres, ConnectionString = database.ConnectionString });

    private static async Task DecideAsync(PostgresDatabase where)
    {
        await using TitrationDbContext database = Open(where);
        await using var transaction = await database.Database.BeginTransactionAsync(Token);
        PatientRecord record = (await database.LoadPatientsAsync(["p"], Token))[0];
        record.AddFacts(Sample.Facts("p").Select(f => new ReceivedFact(f, Sample.Noon)));
        var evaluation = Sample.FullEvaluation("p");
        Guid decision = record.AppendDecision(evaluation, "policy", "input");
        record.Reconcile(Reconciliation.Of(record.StandingCommunications(evaluation.Course!.Id), evaluation, decision, []), evaluation.Course.Id, decision, Sample.Noon);
        record.Materialise(evaluation, "policy");
        await database.SaveChangesAsync(Token);
        await transaction.CommitAsync(Token);
        await database.TakeCheckpointAsync(Sample.Noon, null, Token);
    }

    private static async Task AssertWholeAsync(TitrationDbContext database)
    {
        int chains = 0;
        await foreach (ChainResult chain in database.VerifyLedgerAsync([], Token))
        {
            Assert.Null(chain.Break);
            chains++;
        }

        Assert.Equal(1, chains);
    }

    private static async Task<long> CountAsync(TitrationDbContext database, string table)
    {
        await database.Database.OpenConnectionAsync(Token);
        await using var command = database.Database.GetDbConnection().CreateCommand();
        command.CommandText = $"SELECT count(*) FROM {table}";
        return (long)(await command.ExecuteScalarAsync(Token))!;
    }

    private static bool HasClientPrograms() => Environment.GetEnvironmentVariable("PATH")!.Split(':').Any(p => File.Exists(Path.Combine(p, "pg_dump")));

    private static async Task<(int Code, string Said)> RunAsync(string script, PostgresDatabase database, string file)
    {
        NpgsqlConnectionStringBuilder connection = new(database.ConnectionString);
        ProcessStartInfo start = new("bash", [Repository.File("deploy", script), file]) { RedirectStandardError = true, RedirectStandardOutput = true, UseShellExecute = false };
        start.Environment["PGHOST"] = connection.Host;
        start.Environment["PGPORT"] = $"{connection.Port}";
        start.Environment["PGUSER"] = connection.Username;
        start.Environment["PGPASSWORD"] = connection.Password;
        start.Environment["PGDATABASE"] = connection.Database;
        using Process process = Process.Start(start)!;
        Task<string> error = process.StandardError.ReadToEndAsync(Token);
        string output = await process.StandardOutput.ReadToEndAsync(Token);
        await process.WaitForExitAsync(Token);
        return (process.ExitCode, output + await error);
    }
}
