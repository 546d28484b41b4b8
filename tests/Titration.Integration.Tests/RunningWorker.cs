using Microsoft.AspNetCore.Builder;
using Microsoft.Extensions.Configuration;
using Microsoft.Extensions.DependencyInjection;
using Titration.Storage;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Titration.Worker.Configuration;
using Titration.Worker.Deciding;
using Titration.Worker.Hosting;
using Titration.Worker.Intake;

namespace Titration.Integration.Tests;

/// <summary>The parts of one test: a database and a virtual host of its own, and an endpoint that was emptied.</summary>
internal sealed class Surroundings : IAsyncDisposable
{
    private readonly PostgresDatabase? _made;

    private Surroundings(Broker broker, Peer peer, string database, PostgresDatabase? made)
    {
        Broker = broker;
        Peer = peer;
        Database = new DatabaseOptions { Provider = DatabaseProvider.Postgres, ConnectionString = database };
        _made = made;
    }

    public Broker Broker { get; }

    public Peer Peer { get; }

    public DatabaseOptions Database { get; }

    /// <param name="cancellationToken">Ends it.</param>
    /// <param name="broker">A broker of the test's own; null: the shared one.</param>
    /// <param name="database">A server of the test's own; null: a new database on the shared one.</param>
    /// <param name="peer">An endpoint of the test's own; null: one that is lent to it, empty.</param>
    public static async Task<Surroundings> CreateAsync(CancellationToken cancellationToken, Broker? broker = null, string? database = null, Peer? peer = null)
    {
        PostgresDatabase? made = database is null ? await PostgresDatabase.CreateAsync(cancellationToken) : null;
        Surroundings surroundings = new(
            broker ?? await Broker.CreateAsync(cancellationToken), peer ?? await Peer.ConnectAsync(cancellationToken), database ?? made!.ConnectionString, made);
        await using TitrationDbContext context = surroundings.Open();
        await context.MigrateAsync(cancellationToken);
        return surroundings;
    }

    public TitrationDbContext Open() => StorageServices.CreateContext(Database);

    /// <summary>The settings of a worker among these parts, by their names in the configuration.</summary>
    public Dictionary<string, string> Settings() => new(StringComparer.Ordinal)
    {
        ["Titration:Broker:Uri"] = Broker.Address.AbsoluteUri,
        ["Titration:Database:Provider"] = "postgres",
        ["Titration:Database:ConnectionString"] = Database.ConnectionString,
        ["Titration:FhirServer:BaseUrl"] = Peer.FhirBase.AbsoluteUri,
        ["Titration:FhirServer:TimeoutSeconds"] = "5",
        ["Titration:Health:Port"] = "0",
        ["Titration:Sweep:EverySeconds"] = "1",
        ["Titration:RampIn:ProposalsPerDay"] = "0",
        // Whatever the hour at which the tests run.
        ["Titration:PatientMessages:QuietFrom"] = "00:00",
        ["Titration:PatientMessages:QuietUntil"] = "00:00",
        ["Titration:PatientMessages:MostPerDay"] = "10",
    };

    /// <summary>Starts a worker in this process.</summary>
    public async Task<RunningWorker> StartAsync(TimeProvider time, CancellationToken cancellationToken) =>
        await RunningWorker.StartAsync(Settings(), time, cancellationToken);

    /// <summary>Puts adults onto the FHIR server: without a birth date nothing is stepped up.</summary>
    public async Task KnowPatientsAsync(CancellationToken cancellationToken, params IEnumerable<string> patients)
    {
        foreach (string patient in patients)
        {
            await Peer.PutAsync(FhirJson.Patient(patient), cancellationToken);
        }
    }

    /// <summary>Nothing of a message that could not be taken in may be where only defects belong.</summary>
    public async Task AssertNoErrorAsync(CancellationToken cancellationToken) =>
        Xunit.Assert.Equal(0u, await Broker.DepthAsync(Broker.ErrorQueue, cancellationToken));

    public async ValueTask DisposeAsync()
    {
        await Peer.DumpAsync(CancellationToken.None);
        Peer.Dispose();
        await Broker.DisposeAsync();
        if (_made is not null)
        {
            await _made.DisposeAsync();
        }
    }
}

/// <summary>The service in this process, on real parts.</summary>
internal sealed class RunningWorker : IAsyncDisposable
{
    private readonly WebApplication _app;

    private RunningWorker(WebApplication app) => _app = app;

    public IServiceProvider Services => _app.Services;

    public Uri Address => Local(_app.Urls.First());

    /// <summary>Where it listens for HTTPS.</summary>
    public Uri SecureAddress => Local(_app.Urls.First(u => u.StartsWith("https:", StringComparison.Ordinal)));

    public static async Task<RunningWorker> StartAsync(IReadOnlyDictionary<string, string> configuration, TimeProvider time, CancellationToken cancellationToken)
    {
        List<string> problems = [];
        Settings settings = Settings.From(new ConfigurationBuilder().AddInMemoryCollection(configuration!).Build(), problems)
            ?? throw new InvalidOperationException(string.Join('\n', problems));
        WebApplication app = TitrationHost.Build(settings, time);
        string? problem = await TitrationHost.PrepareDatabaseAsync(app.Services, settings, cancellationToken);
        if (problem is not null)
        {
            throw new InvalidOperationException(problem);
        }

        await app.StartAsync(cancellationToken);
        return new RunningWorker(app);
    }

    /// <summary>
    /// Looks at what has fallen due now. For tests that move their clock by days: the schedule would take the jump for firings that it
    /// missed, and looks after those once in a minute only.
    /// </summary>
    public Task SweepAsync(CancellationToken cancellationToken) => Services.GetRequiredService<DueSweep>().RunAsync(cancellationToken);

    /// <summary>Tries again what waits for the FHIR server, without waiting for the round that does so by itself.</summary>
    public Task RetryWaitingAsync(CancellationToken cancellationToken) => Services.GetRequiredService<WaitingRetry>().RunAsync(cancellationToken);

    private static Uri Local(string url) => new(url.Replace("[::]", "localhost", StringComparison.Ordinal).Replace("0.0.0.0", "localhost", StringComparison.Ordinal));

    public async ValueTask DisposeAsync()
    {
        await _app.StopAsync();
        await _app.DisposeAsync();
    }
}
