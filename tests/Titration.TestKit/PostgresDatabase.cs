using Npgsql;

namespace Titration.TestKit;

/// <summary>An empty PostgreSQL database of its own, dropped in the end.</summary>
public sealed class PostgresDatabase : IAsyncDisposable
{
    private static int _made;

    private readonly NpgsqlConnectionStringBuilder _server;
    private readonly string _name;

    private PostgresDatabase(NpgsqlConnectionStringBuilder server, string name)
    {
        _server = server;
        _name = name;
    }

    /// <summary>Connects to the database.</summary>
    public string ConnectionString => new NpgsqlConnectionStringBuilder(_server.ConnectionString) { Database = _name }.ConnectionString;

    /// <summary>Makes a database on the configured server, or on a private one that is started for this process.</summary>
    public static async Task<PostgresDatabase> CreateAsync(CancellationToken cancellationToken)
    {
        NpgsqlConnectionStringBuilder server = new(await PostgresServer.ConnectionStringAsync(cancellationToken));
        string name = $"titration_test_{Environment.ProcessId}_{Interlocked.Increment(ref _made)}";
        PostgresDatabase database = new(server, name);
        await database.RunOnServerAsync($"CREATE DATABASE {name}", cancellationToken);
        return database;
    }

    /// <inheritdoc/>
    public async ValueTask DisposeAsync()
    {
        await using (NpgsqlConnection connection = new(ConnectionString))
        {
            NpgsqlConnection.ClearPool(connection);
        }

        await RunOnServerAsync($"DROP DATABASE {_name} WITH (FORCE)", CancellationToken.None);
    }

    private async Task RunOnServerAsync(string statement, CancellationToken cancellationToken)
    {
        await using NpgsqlConnection connection = new(_server.ConnectionString);
        await connection.OpenAsync(cancellationToken);
        await using NpgsqlCommand command = new(statement, connection);
        await command.ExecuteNonQueryAsync(cancellationToken);
    }
}
