using Microsoft.EntityFrameworkCore;
using Microsoft.Extensions.Configuration;
using Npgsql;
using Titration.Storage;
using Titration.TestKit;
using Titration.Worker.Configuration;

namespace Titration.Benchmarks.Load;

/// <summary>A database and a virtual host of its own, and the settings of the workers that stand on them.</summary>
internal sealed class LoadSite : IAsyncDisposable
{
    private readonly string _program;
    private readonly PostgresDatabase _database;
    private readonly Dictionary<string, string> _settings;

    private LoadSite(string program, PostgresDatabase database, LoadBroker broker, Dictionary<string, string> settings)
    {
        _program = program;
        _database = database;
        Broker = broker;
        _settings = settings;
        List<string> problems = [];
        Settings = Settings.From(new ConfigurationBuilder().AddInMemoryCollection(settings!).Build(), problems)
            ?? throw new InvalidOperationException(string.Join('\n', problems));
    }

    public LoadBroker Broker { get; }

    /// <summary>The workers' settings after they were checked: policy, time zone, prefetch.</summary>
    public Settings Settings { get; }

    /// <summary>Connects to the database.</summary>
    public string ConnectionString => _database.ConnectionString;

    /// <param name="services">Where the parts are.</param>
    /// <param name="mode"><c>shadow</c>: decided and recorded, nothing is sent; <c>live</c>.</param>
    /// <param name="cancellationToken">Ends it.</param>
    /// <param name="sweepSeconds">Between two looks at what is due.</param>
    public static async Task<LoadSite> CreateAsync(LoadServices services, string mode, CancellationToken cancellationToken, int sweepSeconds = 3600)
    {
        PostgresDatabase database = await PostgresDatabase.CreateAsync(cancellationToken);
        LoadBroker broker = await LoadBroker.CreateAsync(services, cancellationToken);
        LoadSite site = new(services.Program, database, broker, new Dictionary<string, string>(StringComparer.Ordinal)
        {
            ["Titration:Broker:Uri"] = broker.Address.AbsoluteUri,
            ["Titration:Database:Provider"] = "postgres",
            ["Titration:Database:ConnectionString"] = database.ConnectionString,
            ["Titration:FhirServer:BaseUrl"] = services.Fhir.AbsoluteUri,
            ["Titration:Mode"] = mode,
            ["Titration:Health:Port"] = "0",
            ["Titration:Sweep:EverySeconds"] = $"{sweepSeconds}",
            ["Titration:RampIn:ProposalsPerDay"] = "0",
            // Whatever the hour of the run.
            ["Titration:PatientMessages:QuietFrom"] = "00:00",
            ["Titration:PatientMessages:QuietUntil"] = "00:00",
        });
        await using TitrationDbContext context = site.Open();
        await context.MigrateAsync(cancellationToken);
        return site;
    }

    public TitrationDbContext Open() => StorageServices.CreateContext(Settings.Database);

    public Task<ClinicWorker> StartWorkerAsync(CancellationToken cancellationToken) => ClinicWorker.StartAsync(_program, _settings, cancellationToken);

    /// <summary>Asks the database for one number.</summary>
    public async Task<long> CountAsync(FormattableString sql, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = Open();
        return await database.Database.SqlQuery<long>(sql).SingleAsync(cancellationToken);
    }

    /// <summary>Waits until nobody is due. Each question is work for the database, the more the more have been looked at: two a second.</summary>
    public Task UntilNobodyIsDueAsync(CancellationToken cancellationToken, TimeSpan? within = null) => Eventually.HoldsAsync(
        "an end of what is due",
        async () => await CountAsync($"""SELECT count(*) AS "Value" FROM (SELECT 1 FROM patient WHERE next_look <= now() LIMIT 1) AS due""", cancellationToken) == 0,
        cancellationToken, within, every: TimeSpan.FromSeconds(0.5));

    /// <summary>
    /// Lets the database settle after it was filled: its statistics are right, and what is to be written is on the disk. Tables without rows are left alone, as
    /// PostgreSQL itself does: told that a table is empty, it reads the whole of it however much comes in until it looks again.
    /// </summary>
    public async Task SettleAsync(CancellationToken cancellationToken)
    {
        await using NpgsqlConnection connection = new(ConnectionString);
        await connection.OpenAsync(cancellationToken);
        await using NpgsqlCommand filled = new("SELECT string_agg(quote_ident(relname), ', ') FROM pg_stat_user_tables WHERE n_live_tup > 0", connection);
        object? tables = await filled.ExecuteScalarAsync(cancellationToken);
        foreach (string statement in new[] { $"VACUUM ANALYZE {tables}", "CHECKPOINT" })
        {
            await using NpgsqlCommand command = new(statement, connection) { CommandTimeout = 600 };
            await command.ExecuteNonQueryAsync(cancellationToken);
        }
    }

    public async ValueTask DisposeAsync()
    {
        await Broker.DisposeAsync();
        await _database.DisposeAsync();
    }
}
