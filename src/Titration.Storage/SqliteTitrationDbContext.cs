using Microsoft.Data.Sqlite;
using Microsoft.EntityFrameworkCore;
using Microsoft.EntityFrameworkCore.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Storage;

/// <summary>The embedded database: one file, one process. A transaction holds the only write lock from its beginning.</summary>
public sealed class SqliteTitrationDbContext(DbContextOptions<SqliteTitrationDbContext> options) : TitrationDbContext(options)
{
    internal override async Task AddMissingPatientsAsync(string[] patients, CancellationToken cancellationToken)
    {
        foreach (string patient in patients)
        {
            await Database.ExecuteSqlAsync(
                $"""
                INSERT OR IGNORE INTO patient (id, version, next_fact_sequence, next_outbox_sequence, chain_id)
                VALUES ({patient}, 0, 1, 1, {DecisionChain.NewChainId()})
                """,
                cancellationToken);
        }
    }

    internal override IQueryable<PatientRow> LockPatients(string[] patients) =>
        Patients.Where(p => patients.Contains(p.Id)).OrderBy(p => p.Id);

    internal override IQueryable<string> ClaimDuePatients(DateTimeOffset now, TimeSpan lease, int limit) => Database.SqlQuery<string>(
        $"""
        UPDATE patient SET leased_until = {Stored(now + lease)}
        WHERE id IN (
            SELECT id FROM patient
            WHERE next_look <= {Stored(now)} AND (leased_until IS NULL OR leased_until <= {Stored(now)})
            ORDER BY next_look
            LIMIT {limit})
        RETURNING id AS "Value"
        """);

    internal override IQueryable<OutboxRow> ClaimOutboxEntries(bool onlySafety, DateTimeOffset now, TimeSpan lease, int limit) => Outbox.FromSqlRaw(
        "WITH clock(now) AS (SELECT {1}) UPDATE outbox SET state = 'leased', lease_until = {2}, fence = fence + 1, attempts = attempts + 1 WHERE id IN ("
        + OutboxStatements.Claimable + " LIMIT {3}) RETURNING *",
        onlySafety ? 1 : 0, Stored(now), Stored(now + lease), limit);

    internal override Task<int> ProlongAsync(OutboxRow entry, DateTimeOffset now, TimeSpan lease, CancellationToken cancellationToken) =>
        Database.ExecuteSqlAsync(
            $"UPDATE outbox SET lease_until = {Stored(now + lease)} WHERE id = {entry.Id} AND state = 'leased' AND fence = {entry.Fence}", cancellationToken);

    public override async Task<IDbContextTransaction> BeginSnapshotAsync(CancellationToken cancellationToken)
    {
        // Not EF's own, which takes the write lock; disposing of it leaves the connection to the context.
        await Database.OpenConnectionAsync(cancellationToken);
        SqliteTransaction transaction = ((SqliteConnection)Database.GetDbConnection()).BeginTransaction(deferred: true);
        return (await Database.UseTransactionAsync(transaction, cancellationToken))!;
    }

    // The transaction holds the only write lock from its beginning.
    internal override Task HoldOffErasuresAsync(CancellationToken cancellationToken) => Task.CompletedTask;

    internal override Task HoldOffProposalsAsync(CancellationToken cancellationToken) => Task.CompletedTask;

    internal override Task BeginErasureAsync(CancellationToken cancellationToken) => Task.CompletedTask;

    internal override Task<int> GiveBackEntryAsync(OutboxRow entry, DateTimeOffset now, TimeSpan wait, string problem, CancellationToken cancellationToken) =>
        Database.ExecuteSqlAsync(
            $"""
            UPDATE outbox SET state = 'pending', not_before = {Stored(now + wait)}, lease_until = NULL, problem = {problem}
            WHERE id = {entry.Id} AND state = 'leased' AND fence = {entry.Fence}
            """,
            cancellationToken);

    internal override object Stored(DateTimeOffset instant) => instant.Cut().UtcTicks;

    /// <inheritdoc/>
    protected override void ConfigureConventions(ModelConfigurationBuilder configurationBuilder)
    {
        base.ConfigureConventions(configurationBuilder);
        configurationBuilder.Properties<DateTimeOffset>().HaveConversion<UtcTicksConverter>();
    }
}
