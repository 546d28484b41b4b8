using Microsoft.Data.Sqlite;

namespace Titration.Sandbox.Storing;

/// <summary>The statements of the hot paths, prepared once per connection.</summary>
internal sealed class StoreStatements(SqliteConnection connection) : IDisposable
{
    /// <summary>The columns <see cref="FhirStore"/> reads a version from, in its order.</summary>
    public const string Columns = "v.type, v.id, v.version, v.updated, v.posted, v.body";

    public Statement Begin { get; } = new(connection, "BEGIN IMMEDIATE", 0);

    public Statement Commit { get; } = new(connection, "COMMIT", 0);

    public Statement Rollback { get; } = new(connection, "ROLLBACK", 0);

    public Statement NextId { get; } = new(connection, "UPDATE last_id SET value = value + 1 RETURNING value", 0);

    public Statement Read { get; } = new(
        connection, $"SELECT {Columns} FROM current c JOIN version v ON v.row = c.row WHERE c.type = $1 AND c.id = $2", 2);

    public Statement ReadVersion { get; } = new(connection, $"SELECT {Columns} FROM version v WHERE v.type = $1 AND v.id = $2 AND v.version = $3", 3);

    public Statement History { get; } = new(
        connection, $"SELECT {Columns} FROM version v WHERE v.type = $1 AND v.id = $2 ORDER BY v.version DESC", 2);

    // Nothing is ever deleted, so rows have no gaps.
    public Statement After { get; } = new(connection, $"SELECT {Columns} FROM version v WHERE v.row > $1 ORDER BY v.row LIMIT $2", 2);

    public Statement InsertVersion { get; } = new(
        connection, "INSERT INTO version (type, id, version, updated, posted, body) VALUES ($1, $2, $3, $4, $5, $6)", 6);

    public Statement PointToLast { get; } = new(
        connection,
        """
        INSERT INTO current (type, id, row, updated) VALUES ($1, $2, last_insert_rowid(), $3)
        ON CONFLICT (type, id) DO UPDATE SET row = excluded.row, updated = excluded.updated
        """,
        3);

    public Statement RemoveIndex { get; } = new(
        connection, "DELETE FROM search_index WHERE type = $1 AND param = $2 AND value = $3 AND system = $4 AND id = $5", 5);

    public Statement AddIndex { get; } = new(
        connection, "INSERT INTO search_index (type, param, value, system, id) VALUES ($1, $2, $3, $4, $5)", 5);

    public void Dispose()
    {
        foreach (Statement statement in (Statement[])[
            Begin, Commit, Rollback, NextId, Read, ReadVersion, History, After, InsertVersion, PointToLast, RemoveIndex, AddIndex])
        {
            statement.Dispose();
        }
    }
}
