using System.Data.Common;
using System.Runtime.CompilerServices;
using Microsoft.Data.Sqlite;
using Microsoft.EntityFrameworkCore.Diagnostics;
using SQLitePCL;

namespace Titration.Storage;

/// <summary>
/// Settings of each SQLite connection: a write-ahead log, flushed to the disk at every commit, so that what was committed survives a kill and
/// a power cut; waiting for the write lock rather than failing at once; and temporaries in memory, since there may be no folder to write them to.
/// </summary>
/// <remarks>They hold as long as the connection's handle lives, which outlives many openings in the pool: each handle is told once.</remarks>
internal sealed class SqlitePragmas(bool durable) : DbConnectionInterceptor
{
    private static readonly object Told = new();

    private readonly ConditionalWeakTable<sqlite3, object> _handles = [];

    private readonly string _statements =
        $"PRAGMA busy_timeout = 5000; PRAGMA journal_mode = WAL; PRAGMA synchronous = {(durable ? "FULL" : "OFF")}; PRAGMA foreign_keys = ON; PRAGMA temp_store = MEMORY;";

    /// <inheritdoc/>
    public override void ConnectionOpened(DbConnection connection, ConnectionEndEventData eventData)
    {
        if (IsNew(connection))
        {
            using DbCommand command = connection.CreateCommand();
            command.CommandText = _statements;
            command.ExecuteNonQuery();
            Remember(connection);
        }
    }

    /// <inheritdoc/>
    public override async Task ConnectionOpenedAsync(
        DbConnection connection, ConnectionEndEventData eventData, CancellationToken cancellationToken = default)
    {
        if (IsNew(connection))
        {
            await using DbCommand command = connection.CreateCommand();
            command.CommandText = _statements;
            await command.ExecuteNonQueryAsync(cancellationToken);
            Remember(connection);
        }
    }

    private bool IsNew(DbConnection connection) => ((SqliteConnection)connection).Handle is not { } handle || !_handles.TryGetValue(handle, out _);

    private void Remember(DbConnection connection)
    {
        if (((SqliteConnection)connection).Handle is { } handle)
        {
            _handles.AddOrUpdate(handle, Told);
        }
    }
}
