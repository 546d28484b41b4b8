using Microsoft.EntityFrameworkCore;
using Microsoft.EntityFrameworkCore.Infrastructure;
using Microsoft.EntityFrameworkCore.Migrations;
using Microsoft.Extensions.DependencyInjection;
using Titration.TestKit;

namespace Titration.Storage.Tests;

/// <summary>Schema, settings and rights.</summary>
public abstract class SchemaSuite(DatabaseFixture fixture) : StorageSuite(fixture)
{
    [Fact]
    public void The_migrations_match_the_model()
    {
        using TitrationDbContext database = Open();

        Assert.False(database.Database.HasPendingModelChanges());
    }

    [Fact]
    public async Task A_migrated_schema_is_current_and_migrating_again_does_nothing()
    {
        await using TitrationDbContext database = Open();

        Assert.True((await database.SchemaStateAsync(Token)).IsCurrent);
        Assert.Empty(await database.MigrateAsync(Token));
    }

    [Fact]
    public async Task A_schema_taken_back_says_what_is_missing_and_can_be_migrated_again()
    {
        await using TitrationDbContext database = Open();
        string[] all = [.. database.Database.GetMigrations()];

        await database.GetService<IMigrator>().MigrateAsync(Migration.InitialDatabase, Token);
        SchemaState state = await database.SchemaStateAsync(Token);

        Assert.Equal((false, string.Join(' ', all), 0), (state.IsCurrent, string.Join(' ', state.Missing), state.Unknown.Length));
        Assert.Equal(string.Join(' ', all), string.Join(' ', await database.MigrateAsync(Token)));
        Assert.True((await database.SchemaStateAsync(Token)).IsCurrent);
    }

    [Fact]
    public async Task A_schema_of_a_newer_version_is_refused()
    {
        await using TitrationDbContext database = Open();
        await database.Database.ExecuteSqlAsync($"INSERT INTO \"__EFMigrationsHistory\" VALUES ('29990101000000_Later', '99.0.0')", Token);

        SchemaState state = await database.SchemaStateAsync(Token);
        var refusal = await Assert.ThrowsAsync<InvalidOperationException>(() => database.MigrateAsync(Token));
        await database.Database.ExecuteSqlAsync($"DELETE FROM \"__EFMigrationsHistory\" WHERE \"MigrationId\" LIKE '2999%'", Token);

        Assert.Equal("29990101000000_Later", Assert.Single(state.Unknown));
        Assert.Contains("29990101000000_Later", refusal.Message);
    }

    [Fact]
    public async Task Registered_contexts_come_from_a_pool_and_a_scope_has_one()
    {
        await using ServiceProvider services = new ServiceCollection().AddTitrationStorage(Fixture.Options).BuildServiceProvider(validateScopes: true);
        var contexts = services.GetRequiredService<IDbContextFactory<TitrationDbContext>>();

        TitrationDbContext first = await contexts.CreateDbContextAsync(Token);
        Assert.Equal(0, await first.Patients.CountAsync(Token));
        await first.DisposeAsync();
        await using TitrationDbContext second = await contexts.CreateDbContextAsync(Token);
        await using AsyncServiceScope scope = services.CreateAsyncScope();

        Assert.Same(first, second);
        Assert.Same(scope.ServiceProvider.GetRequiredService<TitrationDbContext>(), scope.ServiceProvider.GetRequiredService<TitrationDbContext>());
    }
}

public sealed class SchemaOnSqlite(SqliteFixture fixture) : SchemaSuite(fixture), IClassFixture<SqliteFixture>
{
    [Fact]
    public async Task A_connection_flushes_every_commit_and_keeps_references_whole()
    {
        await using TitrationDbContext database = Open();

        Assert.Equal("wal", await PragmaAsync("journal_mode"));
        Assert.Equal("2", await PragmaAsync("synchronous"));
        Assert.Equal("1", await PragmaAsync("foreign_keys"));
        Assert.Equal("5000", await PragmaAsync("busy_timeout"));
        Assert.Equal("2", await PragmaAsync("temp_store"));

        async Task<string> PragmaAsync(string name)
        {
            await database.Database.OpenConnectionAsync(Token);
            await using var command = database.Database.GetDbConnection().CreateCommand();
            command.CommandText = $"PRAGMA {name}";
            return (await command.ExecuteScalarAsync(Token))!.ToString()!;
        }
    }

    [Fact]
    public async Task A_migration_that_was_killed_does_not_block_the_next_one()
    {
        await using TitrationDbContext database = Open();
        await database.GetService<IMigrator>().MigrateAsync(Migration.InitialDatabase, Token);
        await database.Database.ExecuteSqlAsync(
            $"""CREATE TABLE IF NOT EXISTS "__EFMigrationsLock" ("Id" INTEGER PRIMARY KEY, "Timestamp" TEXT NOT NULL)""", Token);
        await database.Database.ExecuteSqlAsync($"""INSERT INTO "__EFMigrationsLock" VALUES (1, '2026-03-01 09:00:00')""", Token);

        Assert.NotEmpty(await database.MigrateAsync(Token));
    }
}

public sealed class SchemaOnPostgres(PostgresFixture fixture) : SchemaSuite(fixture), IClassFixture<PostgresFixture>
{
    [Fact]
    public async Task Long_values_that_every_decision_writes_are_compressed_the_fast_way()
    {
        await using TitrationDbContext database = Open();

        string[] fast = await database.Database.SqlQuery<string>(
            $"""
            SELECT attrelid::regclass || '.' || attname AS "Value" FROM pg_attribute
            WHERE attrelid IN ('course'::regclass, 'decision_content'::regclass) AND attcompression = 'l' ORDER BY 1
            """).ToArrayAsync(Token);

        Assert.Equal(["course.evaluation", "decision_content.content"], fast);
    }

    [Fact]
    public async Task The_worker_adds_decisions_and_can_neither_change_nor_remove_them()
    {
        await GrantAsync();
        await using TitrationDbContext worker = await OpenAsAsync("titration_worker");
        await DecideAsAsync(worker);

        await RefusedAsync(worker, $"UPDATE decision SET policy_hash = 'x'");
        await RefusedAsync(worker, $"DELETE FROM decision");
        await RefusedAsync(worker, $"UPDATE decision_content SET rule = 'x'");
        await RefusedAsync(worker, $"DELETE FROM decision_content");
        await RefusedAsync(worker, $"UPDATE fact SET content = ''");
        await RefusedAsync(worker, $"DELETE FROM fact");
        await RefusedAsync(worker, $"UPDATE checkpoint SET decisions = 0");
        await RefusedAsync(worker, $"DELETE FROM chain");
        Assert.NotEqual(0, await worker.Database.ExecuteSqlAsync($"UPDATE outbox SET attempts = 0", Token));
        await RefusedAsync(worker, $"DELETE FROM outbox");
    }

    [Fact]
    public async Task The_worker_removes_what_was_kept_long_enough_in_quarantine()
    {
        await GrantAsync();
        await using TitrationDbContext worker = await OpenAsAsync("titration_worker");
        await Intake.QuarantineQueries.QuarantineAsync(worker, new Intake.UnreadableMessage([1], "queue", "unreadable", "", "no JSON", null), Now, Token);

        Assert.Equal(1, await Intake.QuarantineQueries.RemoveReceivedBeforeAsync(worker, Now.AddDays(1), Token));
    }

    [Fact]
    public async Task The_eraser_erases_a_patient_and_cannot_touch_the_links_of_the_chain()
    {
        await GrantAsync();
        await using (TitrationDbContext worker = await OpenAsAsync("titration_worker"))
        {
            await DecideAsAsync(worker);
        }

        await using TitrationDbContext eraser = await OpenAsAsync("titration_eraser");
        await RefusedAsync(eraser, $"UPDATE decision SET policy_hash = 'x'");
        await RefusedAsync(eraser, $"DELETE FROM decision");
        await RefusedAsync(eraser, $"UPDATE decision_content SET rule = 'x'");
        await using var transaction = await eraser.Database.BeginTransactionAsync(Token);
        Assert.Equal(1, (await Ledger.Erasure.EraseAsync(eraser, "p", [1], [9], (_, _) => Ledger.Telling.NotOfPatient, Now, null, Token)).Decisions);
        await transaction.CommitAsync(Token);

        Assert.Equal((2, 1), (await eraser.Decisions.CountAsync(Token), await eraser.DecisionContents.CountAsync(Token)));
    }

    private async Task GrantAsync()
    {
        await using TitrationDbContext owner = Open();
        string grants = await File.ReadAllTextAsync(Repository.File("deploy", "grants.sql"), Token);
        await owner.Database.ExecuteSqlRawAsync(grants, Token);
        await owner.Database.ExecuteSqlRawAsync(grants, Token);
    }

    private async Task<TitrationDbContext> OpenAsAsync(string role)
    {
        TitrationDbContext database = Open();
        await database.Database.OpenConnectionAsync(Token);
        string statement = $"SET ROLE {role}";
        await database.Database.ExecuteSqlRawAsync(statement, Token);
        return database;
    }

    private static async Task DecideAsAsync(TitrationDbContext worker)
    {
        await using var transaction = await worker.Database.BeginTransactionAsync(Token);
        Ledger.PatientRecord record = (await Ledger.PatientQueries.LoadPatientsAsync(worker, ["p"], Token))[0];
        record.AddFacts(Sample.Facts("p").Select(Received));
        var evaluation = Sample.FullEvaluation("p");
        Guid decision = record.AppendDecision(evaluation, "policy", "input");
        record.Reconcile(Protocol.Communications.Reconciliation.Of([], evaluation, decision, []), evaluation.Course!.Id, decision, Now);
        record.Materialise(evaluation, "policy");
        record.LookAgainAt(Now);
        await worker.SaveChangesAsync(Token);
        await transaction.CommitAsync(Token);
        worker.ChangeTracker.Clear();
        Assert.Single(await Ledger.PatientQueries.DueAsync(worker, Now, Hour, 1, Token));
        Assert.NotNull(await Ledger.Checkpoints.TakeCheckpointAsync(worker, Now, null, Token));
        var entry = Assert.Single(await Delivery.OutboxQueries.ClaimAsync(worker, Now, Hour, 1, onlySafety: false, Token));
        Assert.True(await Delivery.OutboxQueries.CompleteAsync(worker, entry, [], Now, Token));
    }

    private static async Task RefusedAsync(TitrationDbContext database, FormattableString statement)
    {
        var refusal = await Assert.ThrowsAsync<Npgsql.PostgresException>(() => database.Database.ExecuteSqlAsync(statement, Token));
        Assert.Equal(Npgsql.PostgresErrorCodes.InsufficientPrivilege, refusal.SqlState);
    }
}
