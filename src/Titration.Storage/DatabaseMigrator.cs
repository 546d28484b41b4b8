using System.Collections.Immutable;
using Microsoft.Data.Sqlite;
using Microsoft.EntityFrameworkCore;

namespace Titration.Storage;

/// <summary>How the database's schema and this version's fit.</summary>
/// <param name="Missing">Migrations that this version needs and the database has not had, oldest first.</param>
/// <param name="Unknown">Migrations that the database has had and this version does not know: a newer version's.</param>
public sealed record SchemaState(ImmutableArray<string> Missing, ImmutableArray<string> Unknown)
{
    public bool IsCurrent => Missing.IsEmpty && Unknown.IsEmpty;
}

/// <summary>Brings a schema up to date, or says what it lacks.</summary>
public static class DatabaseMigrator
{
    /// <summary>Compares, and changes nothing.</summary>
    public static async Task<SchemaState> SchemaStateAsync(this TitrationDbContext database, CancellationToken cancellationToken)
    {
        string[] known = [.. database.Database.GetMigrations()];
        string[] applied = [.. await database.Database.GetAppliedMigrationsAsync(cancellationToken)];
        return new SchemaState([.. known.Except(applied, StringComparer.Ordinal)], [.. applied.Except(known, StringComparer.Ordinal)]);
    }

    /// <summary>Applies what is missing and returns it. A schema of a newer version is refused.</summary>
    public static async Task<ImmutableArray<string>> MigrateAsync(this TitrationDbContext database, CancellationToken cancellationToken)
    {
        SchemaState before = await database.SchemaStateAsync(cancellationToken);
        if (!before.Unknown.IsEmpty)
        {
            throw new InvalidOperationException(
                $"The database was migrated by a newer version ({string.Join(", ", before.Unknown)}); run that version, or restore a backup.");
        }

        if (before.Missing.IsEmpty)
        {
            return [];
        }

        using FileStream? alone = database is SqliteTitrationDbContext ? await LockFileAsync(database, cancellationToken) : null;
        await database.Database.MigrateAsync(cancellationToken);
        return before.Missing;
    }

    // EF marks a running migration of SQLite by a row, and a process that was killed leaves the row behind: the next one would
    // wait for ever. A lock on a file ends with its process, so whoever holds it may remove the row.
    private static async Task<FileStream?> LockFileAsync(TitrationDbContext database, CancellationToken cancellationToken)
    {
        string file = new SqliteConnectionStringBuilder(database.Database.GetConnectionString()).DataSource;
        FileStream? stream = file is "" or ":memory:" ? null : new FileStream(
            file + ".migrating", FileMode.OpenOrCreate, FileAccess.ReadWrite, FileShare.None, bufferSize: 1, FileOptions.DeleteOnClose);
        await database.Database.ExecuteSqlAsync($"DROP TABLE IF EXISTS \"__EFMigrationsLock\"", cancellationToken);
        return stream;
    }
}
