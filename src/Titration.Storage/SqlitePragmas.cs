using System.Data.Common;
using Microsoft.EntityFrameworkCore.Diagnostics;

namespace Titration.Storage;

/// <summary>
/// Settings of each SQLite connection: a write-ahead log, flushed to the disk at every commit, so that what was committed survives a kill and
/// a power cut; and waiting for the write lock rather than failing at once.
/// </summary>
internal sealed class SqlitePragmas : DbConnectionInterceptor
{
    public static readonly SqlitePragmas Instance = new();

    private const string Statements =
        "PRAGMA busy_timeout = 5000; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON;";

    /// <inheritdoc/>
    public override void ConnectionOpened(DbConnection connection, ConnectionEndEventData eventData)
    {
        using DbCommand command = connection.CreateCommand();
        command.CommandText = Statements;
        command.ExecuteNonQuery();
    }

    /// <inheritdoc/>
    public override async Task ConnectionOpenedAsync(
        DbConnection connection, ConnectionEndEventData eventData, CancellationToken cancellationToken = default)
    {
        await using DbCommand command = connection.CreateCommand();
        command.CommandText = Statements;
        await command.ExecuteNonQueryAsync(cancellationToken);
    }
}
