using Microsoft.Data.Sqlite;
using Microsoft.EntityFrameworkCore;
using Titration.TestKit;

namespace Titration.Storage.Tests;

/// <summary>A migrated database for the tests of one class, which run one after the other.</summary>
public abstract class DatabaseFixture : IAsyncLifetime
{
    public abstract DatabaseOptions Options { get; }

    protected abstract string EmptyStatement { get; }

    public TitrationDbContext Open() => StorageServices.CreateContext(Options);

    public virtual async ValueTask InitializeAsync()
    {
        await using TitrationDbContext database = Open();
        await database.MigrateAsync(CancellationToken.None);
    }

    public abstract ValueTask DisposeAsync();

    /// <summary>Empties every table.</summary>
    public async Task EmptyAsync()
    {
        await using TitrationDbContext database = Open();
        IEnumerable<string> tables = database.Model.GetEntityTypes().Select(type => type.GetTableName()!);
        await database.Database.ExecuteSqlRawAsync(string.Join(' ', tables.Select(t => string.Format(EmptyStatement, t))));
    }
}

/// <summary>One that nothing has to survive a power cut of.</summary>
public sealed class ThrowawaySqliteFixture : SqliteFixture
{
    public override DatabaseOptions Options => base.Options with { Durable = false };
}

public class SqliteFixture : DatabaseFixture
{
    private readonly string _directory = Directory.CreateTempSubdirectory("titration-sqlite-").FullName;

    public override DatabaseOptions Options => new()
    {
        Provider = DatabaseProvider.Sqlite,
        ConnectionString = $"Data Source={Path.Combine(_directory, "titration.db")}",
    };

    protected override string EmptyStatement => "PRAGMA foreign_keys = OFF; DELETE FROM {0};";

    public override ValueTask DisposeAsync()
    {
        SqliteConnection.ClearAllPools();
        Directory.Delete(_directory, recursive: true);
        GC.SuppressFinalize(this);
        return ValueTask.CompletedTask;
    }
}

public sealed class PostgresFixture : DatabaseFixture
{
    private PostgresDatabase? _database;

    public override DatabaseOptions Options => new() { Provider = DatabaseProvider.Postgres, ConnectionString = _database!.ConnectionString };

    protected override string EmptyStatement => "TRUNCATE {0} CASCADE;";

    public override async ValueTask InitializeAsync()
    {
        _database = await PostgresDatabase.CreateAsync(CancellationToken.None);
        await base.InitializeAsync();
    }

    public override async ValueTask DisposeAsync()
    {
        if (_database is not null)
        {
            await _database.DisposeAsync();
        }
    }
}
