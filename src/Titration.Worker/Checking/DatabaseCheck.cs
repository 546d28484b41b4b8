using System.Collections.Immutable;
using System.Data.Common;
using Microsoft.Data.Sqlite;
using Microsoft.EntityFrameworkCore;
using Npgsql;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.Worker.Configuration;

namespace Titration.Worker.Checking;

/// <summary>The database: whether it answers, whether its schema is this version's, whether its clock is ours.</summary>
internal static class DatabaseCheck
{
    public const string Subject = "database";
    private const string SchemaSubject = "schema";
    private const string ClockSubject = "database's clock";
    // Its driver is loaded within this time too, which takes seconds on a machine that is busy.
    private static readonly TimeSpan Patience = TimeSpan.FromSeconds(30);

    public static Task<ImmutableArray<CheckRow>> RunAsync(Settings settings, TimeProvider time, CancellationToken cancellationToken) =>
        settings.Database.Provider == DatabaseProvider.Sqlite ? SqliteAsync(settings, time, cancellationToken) : PostgresAsync(settings, time, cancellationToken);

    private static async Task<ImmutableArray<CheckRow>> SqliteAsync(Settings settings, TimeProvider time, CancellationToken cancellationToken)
    {
        string file = Path.GetFullPath(new SqliteConnectionStringBuilder(settings.Database.ConnectionString).DataSource);
        if (!File.Exists(file))
        {
            return [CheckRow.Ok(Subject, $"SQLite; {file} is not there yet, and `run` makes it")];
        }

        try
        {
            await using TitrationDbContext database = StorageServices.CreateContext(settings.Database);
            SchemaState state = await database.SchemaStateAsync(cancellationToken);
            return
            [
                CheckRow.Ok(Subject, $"SQLite, {file}, {new FileInfo(file).Length / 1024 / 1024} MiB: for one worker"),
                state.Unknown.IsEmpty
                    ? CheckRow.Ok(SchemaSubject, state.Missing.IsEmpty ? "up to date" : $"{state.Missing.Length} migrations behind; `run` brings it up to date")
                    : Newer(state),
                .. state.IsCurrent ? await RecordedAsync(database, settings, time, cancellationToken) : [],
            ];
        }
        catch (DbException problem)
        {
            return [CheckRow.Wrong(Subject, $"{file} cannot be used ({problem.GetType().Name})", "See who owns the file, and whether it is a database at all.")];
        }
    }

    private static async Task<ImmutableArray<CheckRow>> PostgresAsync(Settings settings, TimeProvider time, CancellationToken cancellationToken)
    {
        NpgsqlConnectionStringBuilder connection = new(settings.Database.ConnectionString);
        string where = $"{connection.Host}:{connection.Port}/{connection.Database}";
        using CancellationTokenSource patience = CancellationTokenSource.CreateLinkedTokenSource(cancellationToken);
        patience.CancelAfter(Patience);
        try
        {
            await using TitrationDbContext database = StorageServices.CreateContext(settings.Database);
            await database.Database.OpenConnectionAsync(patience.Token);
            string version = database.Database.GetDbConnection().ServerVersion;
            DateTimeOffset before = time.GetUtcNow();
            DateTimeOffset there = (await database.Database.SqlQuery<DateTimeOffset>($"SELECT clock_timestamp() AS \"Value\"").ToListAsync(patience.Token))[0];
            DateTimeOffset after = time.GetUtcNow();
            SchemaState state = await database.SchemaStateAsync(patience.Token);
            return
            [
                CheckRow.Ok(Subject, $"PostgreSQL {version}, {where}, {(connection.SslMode == SslMode.VerifyFull ? "TLS with its name checked" : "on this machine")}"),
                Schema(state),
                ClockRow.Of(ClockSubject, there, before, after),
                .. state.IsCurrent ? await RecordedAsync(database, settings, time, patience.Token) : [],
            ];
        }
        catch (Exception problem) when (Cause(problem) is DbException or TimeoutException || (problem is OperationCanceledException && !cancellationToken.IsCancellationRequested))
        {
            return [Unusable(where, Cause(problem)), .. CheckRow.Unseen("no connection to the database", SchemaSubject, ClockSubject)];
        }
    }

    // EF wraps what it thinks could pass by itself.
    private static Exception Cause(Exception problem) => problem is InvalidOperationException { InnerException: DbException cause } ? cause : problem;

    private static CheckRow Unusable(string where, Exception problem) => problem switch
    {
        PostgresException { SqlState: ['2', '8', ..] } refused => CheckRow.Wrong(Subject, $"{where}: it refuses the user or the password ({refused.SqlState})", "Correct them in Titration__Database__ConnectionString, and look into pg_hba.conf."),
        PostgresException { SqlState: "3D000" } => CheckRow.Wrong(Subject, $"{where}: there is no such database", "Create it, then run `titration database migrate`."),
        PostgresException { SqlState: "42501" } => CheckRow.Wrong(Subject, $"{where}: the user may not read it", "Apply deploy/grants.sql."),
        PostgresException refused => CheckRow.Wrong(Subject, $"{where}: {refused.SqlState}", "See the database's log."),
        { InnerException: System.Security.Authentication.AuthenticationException } => CheckRow.Wrong(Subject, $"{where}: its certificate is not accepted", "Name the clinic's authority with Root Certificate= in the connection string, and use the host name that the certificate is for."),
        _ => CheckRow.Wrong(Subject, $"{where} does not answer ({problem.GetType().Name})", "See whether it runs and can be reached from here; Host and Port are in Titration__Database__ConnectionString."),
    };

    private static CheckRow Schema(SchemaState state) => state switch
    {
        { IsCurrent: true } => CheckRow.Ok(SchemaSubject, "up to date"),
        { Unknown.IsEmpty: false } => Newer(state),
        _ => CheckRow.Wrong(SchemaSubject, $"{state.Missing.Length} migrations behind", "Run `titration database migrate` with credentials that may change the schema."),
    };

    private static CheckRow Newer(SchemaState state) =>
        CheckRow.Wrong(SchemaSubject, $"a newer version's ({string.Join(", ", state.Unknown)})", "Run that version, or restore a backup.");

    /// <summary>What the database holds that somebody has to know of.</summary>
    private static async Task<ImmutableArray<CheckRow>> RecordedAsync(TitrationDbContext database, Settings settings, TimeProvider time, CancellationToken cancellationToken)
    {
        int codes = await database.UnmappedCodes.CountAsync(cancellationToken);
        int held = await database.Quarantine.CountAsync(q => q.State == QuarantineState.Held, cancellationToken);
        int dead = await database.Outbox.CountAsync(o => o.State == OutboxState.Dead, cancellationToken);
        ImmutableArray<CheckRow>.Builder rows = ImmutableArray.CreateBuilder<CheckRow>();
        rows.Add(PolicyCheck.Of(await database.AdoptedAsync(cancellationToken), settings, time.GetUtcNow()));
        if (!await database.FitsMarksAsync(settings.Marks?.OfKey, cancellationToken))
        {
            rows.Add(CheckRow.Wrong(PrivacyKeyCheck.Subject, "not the one by which erased patients were marked: what comes of them would be taken in", "Put the former key back into Titration__Privacy__Key."));
        }

        if (codes > 0)
        {
            rows.Add(CheckRow.Warning("unmapped codes", $"{codes} came in that no mapping knows", "`titration mapping unmapped` lists them; map them in Titration__Mapping__File."));
        }

        if (held > 0)
        {
            rows.Add(CheckRow.Warning("quarantine", $"{held} messages could not be read", "`titration quarantine list` says why."));
        }

        if (dead > 0)
        {
            rows.Add(CheckRow.Warning("outbox", $"{dead} entries were refused by the FHIR server", "`titration outbox list` says why."));
        }

        return rows.DrainToImmutable();
    }
}
