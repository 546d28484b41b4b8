using Microsoft.Data.Sqlite;

namespace Titration.Sandbox.Storing;

/// <summary>Opens the SQLite file of a store and lays out its tables.</summary>
internal static class StoreFile
{
    private const int LayoutVersion = 1;

    // "row" grows with every write and is never reused, so it is a safe place to continue a page of search results.
    private const string Layout = """
        CREATE TABLE version (
            row INTEGER PRIMARY KEY,
            type TEXT NOT NULL,
            id TEXT NOT NULL,
            version INTEGER NOT NULL,
            updated INTEGER NOT NULL,
            posted INTEGER NOT NULL,
            body BLOB NOT NULL,
            UNIQUE (type, id, version));
        CREATE TABLE current (
            type TEXT NOT NULL,
            id TEXT NOT NULL,
            row INTEGER NOT NULL,
            updated INTEGER NOT NULL,
            PRIMARY KEY (type, id)) WITHOUT ROWID;
        CREATE INDEX current_by_row ON current (type, row);
        CREATE INDEX current_by_updated ON current (type, updated);
        CREATE TABLE search_index (
            type TEXT NOT NULL,
            param TEXT NOT NULL,
            value TEXT NOT NULL,
            system TEXT NOT NULL,
            id TEXT NOT NULL,
            PRIMARY KEY (type, param, value, id, system)) WITHOUT ROWID;
        CREATE TABLE last_id (value INTEGER NOT NULL);
        INSERT INTO last_id VALUES (0);
        PRAGMA user_version = 1;
        """;

    /// <exception cref="InvalidDataException">The file was written by another layout of this store.</exception>
    public static SqliteConnection Open(string path)
    {
        SqliteConnectionStringBuilder address = new() { DataSource = path, Pooling = false };
        SqliteConnection connection = new(address.ConnectionString);
        try
        {
            connection.Open();
            // The log may grow to 16 MB before it is folded into the file: folding is what waits for the disk.
            Execute(connection, "PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL; PRAGMA wal_autocheckpoint = 4000;");
            Execute(connection, "BEGIN IMMEDIATE");
            long found = Version(connection);
            if (found is not (0 or LayoutVersion))
            {
                throw new InvalidDataException($"The sandbox file has layout {found}, this version reads layout {LayoutVersion}. Use another file.");
            }

            Execute(connection, found == 0 ? $"{Layout} COMMIT;" : "COMMIT");
            return connection;
        }
        catch
        {
            connection.Dispose();
            throw;
        }
    }

    public static void Execute(SqliteConnection connection, string sql)
    {
        using SqliteCommand command = connection.CreateCommand();
        command.CommandText = sql;
        command.ExecuteNonQuery();
    }

    private static long Version(SqliteConnection connection)
    {
        using SqliteCommand command = connection.CreateCommand();
        command.CommandText = "PRAGMA user_version";
        return (long)command.ExecuteScalar()!;
    }
}
