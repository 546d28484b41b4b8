using Microsoft.Data.Sqlite;
using Microsoft.EntityFrameworkCore;
using Microsoft.EntityFrameworkCore.Diagnostics;
using Microsoft.EntityFrameworkCore.Update;
using Microsoft.Extensions.DependencyInjection;
using Npgsql;

namespace Titration.Storage;

/// <summary>Registers the database.</summary>
public static class StorageServices
{
    private static readonly SqlitePragmas Durable = new(durable: true);
    private static readonly SqlitePragmas Throwaway = new(durable: false);

    /// <summary>
    /// Adds a pooled <see cref="IDbContextFactory{TContext}"/> of <see cref="TitrationDbContext"/>, and the context itself for a scope.
    /// </summary>
    public static IServiceCollection AddTitrationStorage(this IServiceCollection services, DatabaseOptions options)
    {
        _ = options.Provider switch
        {
            DatabaseProvider.Sqlite => services
                .AddPooledDbContextFactory<SqliteTitrationDbContext>(builder => Configure(builder, options))
                .AddSingleton<IDbContextFactory<TitrationDbContext>, ContextFactory<SqliteTitrationDbContext>>(),
            DatabaseProvider.Postgres => services
                .AddPooledDbContextFactory<PostgresTitrationDbContext>(builder => Configure(builder, options))
                .AddSingleton<IDbContextFactory<TitrationDbContext>, ContextFactory<PostgresTitrationDbContext>>(),
        };
        return services.AddScoped(provider => provider.GetRequiredService<IDbContextFactory<TitrationDbContext>>().CreateDbContext());
    }

    /// <summary>A context outside of any container: for commands and tests.</summary>
    public static TitrationDbContext CreateContext(DatabaseOptions options) => options.Provider switch
    {
        DatabaseProvider.Sqlite => new SqliteTitrationDbContext(OptionsOf<SqliteTitrationDbContext>(options)),
        DatabaseProvider.Postgres => new PostgresTitrationDbContext(OptionsOf<PostgresTitrationDbContext>(options)),
    };

    private static DbContextOptions<TContext> OptionsOf<TContext>(DatabaseOptions options) where TContext : TitrationDbContext
    {
        DbContextOptionsBuilder<TContext> builder = new();
        Configure(builder, options);
        return builder.Options;
    }

    private static void Configure(DbContextOptionsBuilder builder, DatabaseOptions options)
    {
        // A row's key is often a patient's id, and exceptions reach logs and error queues: no values in messages.
        builder.EnableSensitiveDataLogging(false);
        _ = options.Provider switch
        {
            DatabaseProvider.Sqlite => builder
                .UseSqlite(new SqliteConnectionStringBuilder(options.ConnectionString) { ForeignKeys = true }.ConnectionString)
                .AddInterceptors(options.Durable ? Durable : Throwaway)
                // SQLite rebuilds a table outside of a transaction. Whoever starts the service can do nothing about it.
                .ConfigureWarnings(warnings => warnings.Ignore(RelationalEventId.NonTransactionalMigrationOperationWarning)),
            DatabaseProvider.Postgres => builder
                .UseNpgsql(PostgresConnection(options.ConnectionString))
                .ReplaceService<IModificationCommandBatchFactory, ArrayBatchFactory>(),
        };
    }

    private static string PostgresConnection(string connectionString)
    {
        NpgsqlConnectionStringBuilder connection = new(connectionString) { IncludeErrorDetail = false };
        // The same few statements for every message: parsed and planned once for each connection. Behind a pooler that shares connections between
        // transactions this cannot be: there the connection string says "Max Auto Prepare=0".
        if (!connection.ShouldSerialize("Max Auto Prepare"))
        {
            connection.MaxAutoPrepare = 100;
        }

        return connection.ConnectionString;
    }

    private sealed class ContextFactory<TContext>(IDbContextFactory<TContext> contexts) : IDbContextFactory<TitrationDbContext>
        where TContext : TitrationDbContext
    {
        public TitrationDbContext CreateDbContext() => contexts.CreateDbContext();

        public async Task<TitrationDbContext> CreateDbContextAsync(CancellationToken cancellationToken = default) =>
            await contexts.CreateDbContextAsync(cancellationToken);
    }
}
