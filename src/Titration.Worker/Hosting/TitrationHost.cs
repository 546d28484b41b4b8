using Microsoft.EntityFrameworkCore;
using Microsoft.Extensions.Http.Resilience;
using Polly;
using Titration.Sandbox;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Ledger;
using Titration.Worker.Access;
using Titration.Worker.Configuration;
using Titration.Worker.Deciding;
using Titration.Worker.Delivery;
using Titration.Worker.Intake;
using Titration.Worker.Pages;
using Titration.Worker.Reading;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Hosting;

/// <summary>Puts the service together from settings that were found to be right.</summary>
public static partial class TitrationHost
{
    /// <summary>What is not done by then is given back by itself: no message is acknowledged and no entry sent that was not.</summary>
    private static readonly TimeSpan ShutdownTimeout = TimeSpan.FromSeconds(8);

    /// <param name="settings">Checked.</param>
    /// <param name="time">The clock; a simulation brings its own.</param>
    /// <param name="scheduled">False where somebody else drives the sweep and the delivery, such as the demo.</param>
    /// <param name="timing">Null: <see cref="Timing.Default"/>.</param>
    public static WebApplication Build(Settings settings, TimeProvider time, bool scheduled = true, Timing? timing = null)
    {
        timing ??= Timing.Default;
        // Settings are checked once, at the start: nothing is to watch the folder for a change of a file.
        WebApplicationBuilder builder = WebApplication.CreateSlimBuilder(["--hostBuilder:reloadConfigOnChange=false"]);
        builder.Logging.ClearProviders();
        ConfigureLogging(builder, scheduled);
        builder.WebHost.UseKestrelHttpsConfiguration();
        builder.WebHost.ConfigureKestrel(kestrel =>
        {
            Listen(kestrel, settings);
            if (settings.Security.Inbound is { } own)
            {
                kestrel.ListenAnyIP(settings.Options.Inbound.Port, listen => listen.UseHttps(https =>
                {
                    https.ServerCertificate = own.Certificate;
                    https.ServerCertificateChain = own.Intermediates;
                }));
            }
        });
        builder.Services.Configure<HostOptions>(host => host.ShutdownTimeout = ShutdownTimeout);
        AddServices(builder.Services, settings, time, timing);
        AddFhirServer(builder.Services, settings, timing);
        Messaging.Add(builder.Services, settings);
        if (scheduled)
        {
            Scheduling.Add(builder.Services, settings, timing);
            builder.Services.AddHostedService<OutboxDelivery>();
            builder.Services.AddHostedService<WaitingDelivery>();
        }

        Housekeeping.Add(builder.Services, scheduled);
        OpenTelemetrySetup.Add(builder, settings);
        SafeLoggerFactory.Add(builder.Services);
        WebApplication app = builder.Build();
        Map(app, settings);
        foreach (string warning in settings.Security.Warnings)
        {
            Log.Dangerous(app.Logger, warning);
        }

        return app;
    }

    /// <summary>The parts without bus, schedule and web server: for commands that work beside the service, or without it.</summary>
    internal static ServiceProvider BuildParts(Settings settings, TimeProvider time)
    {
        ServiceCollection services = new();
        services.AddLogging(logging => logging.ClearProviders());
        AddServices(services, settings, time, Timing.Default);
        AddFhirServer(services, settings, Timing.Default);
        return services.BuildServiceProvider();
    }

    /// <summary>Embedded parts are for this machine alone.</summary>
    internal static void Listen(Microsoft.AspNetCore.Server.Kestrel.Core.KestrelServerOptions kestrel, Settings settings)
    {
        kestrel.AddServerHeader = false;
        if (settings.Options.EmbeddedBroker || settings.Options.EmbeddedFhirServer)
        {
            kestrel.Listen(System.Net.IPAddress.Loopback, settings.Options.Health.Port);
        }
        else
        {
            kestrel.ListenAnyIP(settings.Options.Health.Port);
        }
    }

    private static void ConfigureLogging(WebApplicationBuilder builder, bool console)
    {
        builder.Logging.SetMinimumLevel(LogLevel.Information);
        builder.Logging.AddFilter("Microsoft", LogLevel.Warning).AddFilter("System", LogLevel.Warning).AddFilter("MassTransit", LogLevel.Warning)
            .AddFilter("Quartz", LogLevel.Warning).AddFilter("Polly", LogLevel.Error)
            // What fails in the database is told by whoever asked for it; these would tell it once more, with the statement.
            .AddFilter("Microsoft.EntityFrameworkCore", LogLevel.None);
        if (console)
        {
            builder.Logging.AddSimpleConsole(o =>
            {
                o.SingleLine = true;
                o.TimestampFormat = "HH:mm:ss ";
            });
        }
    }

    private static void AddServices(IServiceCollection services, Settings settings, TimeProvider time, Timing timing)
    {
        services.AddSingleton(timing);
        services.AddSingleton(settings);
        services.AddSingleton(time);
        services.AddTitrationStorage(settings.Database);
        services.AddSingleton<TitrationTelemetry>();
        services.AddSingleton<OutboxSignal>();
        services.AddSingleton<PolicyGate>();
        services.AddSingleton<PatientDecisions>();
        services.AddSingleton<DueSweep>();
        services.AddSingleton<References>();
        services.AddSingleton<IntakeCommit>();
        services.AddSingleton<IntakeHandler>();
        services.AddSingleton<WaitingRetry>();
        services.AddSingleton<FhirSearch>();
        services.AddSingleton<WindowReader>();
        services.AddSingleton<ResourceSorter>();
        services.AddSingleton<Backfill>();
        services.AddSingleton<FhirPoll>();
        services.AddSingleton<InboundPublisher>();
        services.AddSingleton<ServerStatement>();
        services.AddSingleton<ServiceDevice>();
        services.AddSingleton<CommunicationDelivery>();
        services.AddSingleton<Holding>();
        services.AddSingleton<OutboxSender>();
        services.AddSingleton<OverdueDigest>();
        services.AddSingleton<ClinicCheckpoints>();
        services.AddSingleton<StatusReader>();
        services.AddHealthChecks().AddCheck<ReadinessCheck>("ready");
    }

    /// <summary>
    /// Retries with backoff and jitter, honours Retry-After, and opens the circuit when the server is down: then the outbox waits without
    /// asking.
    /// </summary>
    private static void AddFhirServer(IServiceCollection services, Settings settings, Timing timing)
    {
        if (settings.Options.EmbeddedFhirServer)
        {
            services.AddSingleton(provider => FhirStore.Open(
                Path.Combine(settings.Options.DataFolder, "fhir.db"), provider.GetRequiredService<TimeProvider>()));
        }

        TimeSpan timeout = TimeSpan.FromSeconds(settings.Options.FhirServer.TimeoutSeconds);
        services.AddSingleton<FhirServerAddress>();
        services.AddHttpClient<FhirServerClient>()
            .AddResilienceHandler("fhir", pipeline => pipeline
                .AddRetry(new HttpRetryStrategyOptions
                {
                    MaxRetryAttempts = 3,
                    BackoffType = DelayBackoffType.Exponential,
                    UseJitter = true,
                    Delay = timing.RequestRetry,
                    MaxDelay = TimeSpan.FromSeconds(5),
                    // A long Retry-After gives the entry back instead of holding it.
                    ShouldRetryAfterHeader = false,
                    ShouldHandle = arguments => ValueTask.FromResult(
                        HttpClientResiliencePredicates.IsTransient(arguments.Outcome) && arguments.Outcome.Result?.Headers.RetryAfter is null),
                })
                .AddCircuitBreaker(new HttpCircuitBreakerStrategyOptions
                {
                    SamplingDuration = TimeSpan.FromSeconds(30),
                    MinimumThroughput = 20,
                    FailureRatio = 0.9,
                    BreakDuration = timing.CircuitBreak,
                })
                .AddTimeout(timeout));
        FhirServerAccess.Add(services, settings);
    }

    private static void Map(WebApplication app, Settings settings)
    {
        app.MapHealthChecks("/health/ready");
        app.MapGet("/health/live", () => "alive");
        app.MapStatus(settings);
        if (settings.Options.EmbeddedBroker || settings.Security.Inbound is not null)
        {
            app.MapInbound(settings);
        }

        if (settings.Options.EmbeddedFhirServer)
        {
            app.MapFhirEndpoint(app.Services.GetRequiredService<FhirStore>());
        }
    }

    /// <summary>Brings an embedded database up to date, or checks that the clinic's is.</summary>
    /// <returns>What is wrong, in one line; null where all is well.</returns>
    public static async Task<string?> PrepareDatabaseAsync(IServiceProvider services, Settings settings, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await services.GetRequiredService<IDbContextFactory<TitrationDbContext>>().CreateDbContextAsync(cancellationToken);
        if (settings.Database.Provider == DatabaseProvider.Sqlite)
        {
            await database.MigrateAsync(cancellationToken);
            await database.EndLeasesAsync(cancellationToken);
        }
        else if (await database.SchemaStateAsync(cancellationToken) is { IsCurrent: false } state)
        {
            return $"the database's schema does not fit this version (missing: {string.Join(", ", state.Missing)}; unknown: {string.Join(", ", state.Unknown)}); run: titration database migrate";
        }

        if (!await database.FitsMarksAsync(settings.Marks?.OfKey, cancellationToken))
        {
            return ErasureKeyException.Problem;
        }

        DateTimeOffset now = services.GetRequiredService<TimeProvider>().GetUtcNow();
        if (!await database.ModeChanges.AnyAsync(cancellationToken))
        {
            await database.ChangeModeAsync(settings.InitialMode, "settings", "first start", now, cancellationToken);
        }

        // Whatever will be decided by it can be replayed from the database alone.
        string policy = await database.RecordPolicyAsync(settings.Policy.Parts, now, cancellationToken);
        PolicyAdoptions adopted = await database.AdoptedAsync(cancellationToken);
        if (adopted.InOrder.IsEmpty || (!adopted.MayDecideBy(policy, now) && settings.Options.EmbeddedFhirServer))
        {
            // The first start adopts what it finds; where things are only tried out, so does every other.
            await PolicyAdoption.AdoptAsync(database, settings.Policy, adopted.InForce(now), now, now, cancellationToken);
        }

        return await services.GetRequiredService<PolicyGate>().ProblemAsync(cancellationToken);
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 1201, Level = LogLevel.Warning, Message = "DANGEROUS: {Warning}.")]
        public static partial void Dangerous(ILogger logger, string warning);
    }
}

/// <summary>The FHIR server's base address; of the embedded one once it is known where it listens.</summary>
public sealed class FhirServerAddress(Settings settings, Microsoft.AspNetCore.Hosting.Server.IServer? server = null)
{
    public Uri Value => settings.Options.EmbeddedFhirServer
        ? new Uri(new Uri(ListeningAt), "fhir/")
        : new Uri(settings.Options.FhirServer.BaseUrl.TrimEnd('/') + "/");

    private string ListeningAt => server?.Features.Get<Microsoft.AspNetCore.Hosting.Server.Features.IServerAddressesFeature>()?.Addresses.FirstOrDefault()
        ?? $"http://127.0.0.1:{settings.Options.Health.Port}";
}
