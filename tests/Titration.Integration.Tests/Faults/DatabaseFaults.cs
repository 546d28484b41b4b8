using Npgsql;

namespace Titration.Integration.Tests.Faults;

/// <summary>Does to the workers' database what other sessions, administrators and disks do. It goes past the proxy.</summary>
internal sealed class DatabaseFaults(string connectionString)
{
    /// <summary>The name under which the workers' sessions are known.</summary>
    public const string Workers = "titration-workers";

    private readonly string _connectionString = new NpgsqlConnectionStringBuilder(connectionString) { Timeout = 5, CommandTimeout = 20, Pooling = false }.ConnectionString;
    private long _armed;

    /// <summary>
    /// Lets writes of the service fail with any error that is asked for: a trigger raises it once. What was raised is counted by a sequence, which the failure
    /// does not undo.
    /// </summary>
    public Task PrepareAsync(CancellationToken cancellationToken) => RunAsync(
        """
        CREATE SCHEMA faults;
        CREATE TABLE faults.armed (n bigint PRIMARY KEY, state text NOT NULL);
        CREATE SEQUENCE faults.raised MINVALUE 0 START 0;
        SELECT nextval('faults.raised');
        CREATE FUNCTION faults.raise_armed() RETURNS trigger LANGUAGE plpgsql AS $$
        DECLARE next faults.armed;
        BEGIN
            SELECT * INTO next FROM faults.armed WHERE n > (SELECT last_value FROM faults.raised) ORDER BY n LIMIT 1;
            IF FOUND THEN
                PERFORM setval('faults.raised', next.n);
                RAISE EXCEPTION 'injected' USING ERRCODE = next.state;
            END IF;
            RETURN NEW;
        END $$;
        CREATE TRIGGER fail BEFORE INSERT ON fact FOR EACH ROW EXECUTE FUNCTION faults.raise_armed();
        CREATE TRIGGER fail BEFORE INSERT OR UPDATE ON outbox FOR EACH ROW EXECUTE FUNCTION faults.raise_armed();
        CREATE TRIGGER fail BEFORE UPDATE ON patient FOR EACH ROW EXECUTE FUNCTION faults.raise_armed();
        """,
        cancellationToken);

    /// <summary>The next write fails with this error code.</summary>
    public Task FailNextWriteAsync(string sqlState, CancellationToken cancellationToken) =>
        RunAsync($"INSERT INTO faults.armed VALUES ({Interlocked.Increment(ref _armed)}, '{sqlState}')", cancellationToken);

    /// <summary>Errors that were asked for and have not struck.</summary>
    public async Task<int> ArmedAsync(CancellationToken cancellationToken)
    {
        await using NpgsqlConnection connection = new(_connectionString);
        await connection.OpenAsync(cancellationToken);
        await using NpgsqlCommand command = new("SELECT count(*) FROM faults.armed WHERE n > (SELECT last_value FROM faults.raised)", connection);
        return (int)(long)(await command.ExecuteScalarAsync(cancellationToken))!;
    }

    /// <summary>Ends some of the workers' sessions, whatever they do.</summary>
    public Task KillBackendsAsync(int most, CancellationToken cancellationToken) => RunAsync(
        $"""
        SELECT pg_terminate_backend(pid)
        FROM (SELECT pid FROM pg_stat_activity WHERE application_name = '{Workers}' AND datname = current_database() ORDER BY random() LIMIT {most}) AS victims
        """,
        cancellationToken);

    /// <summary>Keeps everybody out of a table for a while.</summary>
    public Task LockTableAsync(string table, TimeSpan time, CancellationToken cancellationToken) =>
        RunAsync($"BEGIN; LOCK TABLE {table} IN ACCESS EXCLUSIVE MODE; SELECT pg_sleep({Seconds(time)}); COMMIT", cancellationToken);

    /// <summary>Keeps half of the patients locked for a while.</summary>
    public Task LockPatientsAsync(TimeSpan time, CancellationToken cancellationToken) => RunAsync(
        $"BEGIN; SELECT count(*) FROM (SELECT id FROM patient WHERE random() < 0.5 FOR UPDATE) AS held; SELECT pg_sleep({Seconds(time)}); COMMIT", cancellationToken);

    private static string Seconds(TimeSpan time) => time.TotalSeconds.ToString(System.Globalization.CultureInfo.InvariantCulture);

    private async Task RunAsync(string statements, CancellationToken cancellationToken)
    {
        await using NpgsqlConnection connection = new(_connectionString);
        await connection.OpenAsync(cancellationToken);
        await using NpgsqlCommand command = new(statements, connection);
        await command.ExecuteNonQueryAsync(cancellationToken);
    }
}
