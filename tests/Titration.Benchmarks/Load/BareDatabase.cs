using System.Collections.Immutable;
using System.Diagnostics;
using Npgsql;

namespace Titration.Benchmarks.Load;

/// <summary>What PostgreSQL takes at least: the same bytes under the same key, and nothing else.</summary>
internal sealed class BareDatabase : IAsyncDisposable
{
    /// <summary>What is over sooner is done again: short rounds tell little.</summary>
    private static readonly TimeSpan AtLeast = TimeSpan.FromSeconds(3);

    private readonly NpgsqlConnection _connection;

    private BareDatabase(NpgsqlConnection connection) => _connection = connection;

    public static async Task<BareDatabase> OpenAsync(LoadSite site, CancellationToken cancellationToken)
    {
        BareDatabase database = new(new NpgsqlConnection(site.ConnectionString));
        await database._connection.OpenAsync(cancellationToken);
        await database.ExecuteAsync("CREATE TABLE bare (type text, id text, body bytea, PRIMARY KEY (type, id))", cancellationToken);
        return database;
    }

    /// <summary>Inserts them over one connection, and returns how many a second.</summary>
    /// <param name="messages">The bytes.</param>
    /// <param name="perCommit">So many to a transaction and to a round trip.</param>
    /// <param name="cancellationToken">Ends it.</param>
    public async Task<double> InsertAsync(ImmutableArray<ClinicMessage> messages, int perCommit, CancellationToken cancellationToken)
    {
        int inserted = 0;
        TimeSpan took = TimeSpan.Zero;
        while (took < AtLeast)
        {
            await ExecuteAsync("TRUNCATE bare", cancellationToken);
            long start = Stopwatch.GetTimestamp();
            await InsertOnceAsync(messages, perCommit, cancellationToken);
            took += Stopwatch.GetElapsedTime(start);
            inserted += messages.Length;
        }

        return inserted / took.TotalSeconds;
    }

    public ValueTask DisposeAsync() => _connection.DisposeAsync();

    private async Task InsertOnceAsync(ImmutableArray<ClinicMessage> messages, int perCommit, CancellationToken cancellationToken)
    {
        foreach (ClinicMessage[] some in messages.Chunk(perCommit))
        {
            await using NpgsqlBatch batch = new(_connection);
            foreach (ClinicMessage message in some)
            {
                batch.BatchCommands.Add(new NpgsqlBatchCommand("INSERT INTO bare VALUES ($1, $2, $3)")
                {
                    Parameters = { new() { Value = message.Type }, new() { Value = message.Id }, new() { Value = message.Body } },
                });
            }

            // One that is not in a transaction of its caller's is a transaction.
            await batch.PrepareAsync(cancellationToken);
            await batch.ExecuteNonQueryAsync(cancellationToken);
        }
    }

    private async Task ExecuteAsync(string statement, CancellationToken cancellationToken)
    {
        await using NpgsqlCommand command = new(statement, _connection);
        await command.ExecuteNonQueryAsync(cancellationToken);
    }
}
