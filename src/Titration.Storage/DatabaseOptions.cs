using System.ComponentModel.DataAnnotations;

namespace Titration.Storage;

/// <summary>Which database system.</summary>
public enum DatabaseProvider
{
    /// <summary>A file of our own: one process.</summary>
    Sqlite,

    /// <summary>For several workers.</summary>
    Postgres,
}

/// <summary>Where the records are kept.</summary>
public sealed record DatabaseOptions
{
    /// <summary>Default: SQLite.</summary>
    [EnumDataType(typeof(DatabaseProvider))]
    public DatabaseProvider Provider { get; init; } = DatabaseProvider.Sqlite;

    /// <summary>The provider's connection string, such as <c>Data Source=data/titration.db</c>.</summary>
    [Required]
    public required string ConnectionString { get; init; }

    /// <summary>
    /// False only where nothing is to be kept, such as in the demo: SQLite then leaves to the system when a commit reaches the disk.
    /// </summary>
    public bool Durable { get; init; } = true;

    /// <summary>How many may use the database at a time, of so many that gain by it. SQLite has a single writer, and the embedded mode the same order each time: one.</summary>
    public int AtOnce(int most) => Provider == DatabaseProvider.Postgres ? most : 1;
}
