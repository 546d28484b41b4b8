using System.Data;
using Microsoft.EntityFrameworkCore;
using Microsoft.EntityFrameworkCore.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Storage;

/// <summary>The database for several workers. Leases go by the database's clock, the only one that all of them share.</summary>
public sealed class PostgresTitrationDbContext(DbContextOptions<PostgresTitrationDbContext> options) : TitrationDbContext(options)
{
    /// <summary>Number of the lock between taking in and erasing; means nothing beyond this database.</summary>
    private const long Erasures = 0x7469747261746501;

    /// <summary>The same for the limit to proposals.</summary>
    private const long Proposals = 0x7469747261746502;

    internal override Task AddMissingPatientsAsync(string[] patients, CancellationToken cancellationToken)
    {
        Guid[] chains = [.. patients.Select(_ => DecisionChain.NewChainId())];

        // In key order, and before any row is locked: two batches that bring the same new patients cannot wait for each other.
        return Database.ExecuteSqlAsync(
            $"""
            INSERT INTO patient (id, version, next_fact_sequence, next_outbox_sequence, chain_id)
            SELECT new.id, 0, 1, 1, new.chain_id FROM unnest({patients}, {chains}) AS new(id, chain_id)
            ON CONFLICT (id) DO NOTHING
            """,
            cancellationToken);
    }

    internal override IQueryable<PatientRow> LockPatients(string[] patients) =>
        Patients.FromSql($"SELECT * FROM patient WHERE id = ANY ({patients}) ORDER BY id FOR UPDATE");

    internal override IQueryable<string> ClaimDuePatients(DateTimeOffset now, TimeSpan lease, int limit) => Database.SqlQuery<string>(
        $"""
        WITH due AS (
            SELECT id FROM patient
            WHERE next_look <= {Stored(now)} AND (leased_until IS NULL OR leased_until <= now())
            ORDER BY next_look
            LIMIT {limit}
            FOR UPDATE SKIP LOCKED)
        UPDATE patient SET leased_until = now() + {lease} FROM due WHERE patient.id = due.id
        RETURNING patient.id AS "Value"
        """);

    internal override IQueryable<OutboxRow> ClaimOutboxEntries(bool onlySafety, DateTimeOffset now, TimeSpan lease, int limit) => Outbox.FromSqlRaw(
        "WITH clock AS (SELECT now() AS now), claimed AS (" + OutboxStatements.Claimable + " LIMIT {1} FOR UPDATE OF o SKIP LOCKED) "
        + "UPDATE outbox SET state = 'leased', lease_until = now() + {2}, fence = outbox.fence + 1, attempts = outbox.attempts + 1 "
        + "FROM claimed WHERE outbox.id = claimed.id RETURNING outbox.*",
        onlySafety ? 1 : 0, limit, lease);

    internal override Task<int> ProlongAsync(OutboxRow entry, DateTimeOffset now, TimeSpan lease, CancellationToken cancellationToken) =>
        Database.ExecuteSqlAsync(
            $"UPDATE outbox SET lease_until = now() + {lease} WHERE id = {entry.Id} AND state = 'leased' AND fence = {entry.Fence}", cancellationToken);

    public override Task<IDbContextTransaction> BeginSnapshotAsync(CancellationToken cancellationToken) =>
        Database.BeginTransactionAsync(IsolationLevel.RepeatableRead, cancellationToken);

    // A lock of its own and not the table's, which would need rights to change the marks. It is taken by a statement of its own: the next one sees
    // what was committed while this one waited.
    internal override Task HoldOffErasuresAsync(CancellationToken cancellationToken) =>
        Database.ExecuteSqlAsync($"SELECT pg_advisory_xact_lock_shared({Erasures})", cancellationToken);

    internal override Task HoldOffProposalsAsync(CancellationToken cancellationToken) =>
        Database.ExecuteSqlAsync($"SELECT pg_advisory_xact_lock({Proposals})", cancellationToken);

    internal override Task BeginErasureAsync(CancellationToken cancellationToken) =>
        Database.ExecuteSqlAsync($"SELECT pg_advisory_xact_lock({Erasures})", cancellationToken);

    internal override Task<int> GiveBackEntryAsync(OutboxRow entry, DateTimeOffset now, TimeSpan wait, string problem, CancellationToken cancellationToken) =>
        Database.ExecuteSqlAsync(
            $"""
            UPDATE outbox SET state = 'pending', not_before = now() + {wait}, lease_until = NULL, problem = {problem}
            WHERE id = {entry.Id} AND state = 'leased' AND fence = {entry.Fence}
            """,
            cancellationToken);

    internal override object Stored(DateTimeOffset instant) => instant.Cut();

    /// <inheritdoc/>
    protected override void ConfigureConventions(ModelConfigurationBuilder configurationBuilder)
    {
        base.ConfigureConventions(configurationBuilder);
        configurationBuilder.Properties<DateTimeOffset>().HaveConversion<UtcMillisecondsConverter>();

        // Keys are compared as bytes: the order in which rows are locked must be the order in which the caller sorts.
        configurationBuilder.Properties<string>().UseCollation("C");
    }
}
