using System.Net.Sockets;
using Npgsql;
using Titration.Worker.Configuration;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Hosting;

/// <summary>Waits for database and broker before anything is started: says what it waits for, is alive, and not ready.</summary>
internal sealed class StartUp(Settings settings, Func<CancellationToken, Task<string?>> prepareDatabase, TimeProvider time, TextWriter report)
{
    private static readonly TimeSpan Every = TimeSpan.FromSeconds(2);
    private static readonly TimeSpan Patience = TimeSpan.FromSeconds(5);

    /// <summary>Builds the service, waits, and starts it. Where the database goes away during the start, it begins again.</summary>
    /// <returns>The service, running.</returns>
    public static async Task<WebApplication> StartAsync(
        Settings settings, TimeProvider time, Timing timing, TextWriter report, CancellationToken cancellationToken)
    {
        while (true)
        {
            WebApplication app = TitrationHost.Build(settings, time, timing: timing);
            try
            {
                StartUp start = new(settings, token => TitrationHost.PrepareDatabaseAsync(app.Services, settings, token), TimeProvider.System, report);
                await start.WaitAsync(cancellationToken);
                await app.StartAsync(cancellationToken);
                return app;
            }
            catch (Exception problem)
            {
                await app.DisposeAsync();
                if (!Infrastructure.IsTroubleOfDatabaseServer(problem))
                {
                    throw;
                }

                await report.WriteLineAsync($"titration: the database went away during the start ({SafeException.KindOf(problem)}): it begins again");
            }
        }
    }

    /// <summary>Returns once both can be used.</summary>
    /// <exception cref="NpgsqlException">The database refuses these credentials: waiting would not help.</exception>
    public async Task WaitAsync(CancellationToken cancellationToken)
    {
        string? problem = await ProblemAsync(cancellationToken);
        if (problem is null)
        {
            return;
        }

        await using WebApplication waiting = Waiting(() => problem);
        await waiting.StartAsync(cancellationToken);
        string? said = null;
        using PeriodicTimer timer = new(Every, time);
        while (problem is not null)
        {
            if (problem != said)
            {
                await report.WriteLineAsync($"titration: waiting: {problem}");
                said = problem;
            }

            await timer.WaitForNextTickAsync(cancellationToken);
            problem = await ProblemAsync(cancellationToken);
        }

        await waiting.StopAsync(cancellationToken);
    }

    private async Task<string?> ProblemAsync(CancellationToken cancellationToken)
    {
        try
        {
            return await prepareDatabase(cancellationToken) ?? await BrokerProblemAsync(cancellationToken);
        }
        catch (Exception problem) when (Infrastructure.IsTroubleOfDatabaseServer(problem))
        {
            return $"the database at {new NpgsqlConnectionStringBuilder(settings.Database.ConnectionString).Host} does not answer ({SafeException.KindOf(problem)})";
        }
    }

    private async Task<string?> BrokerProblemAsync(CancellationToken cancellationToken)
    {
        if (settings.Options.EmbeddedBroker)
        {
            return null;
        }

        Uri broker = new(settings.Options.Broker.Uri);
        int port = broker.Port > 0 ? broker.Port : broker.Scheme == "amqps" ? 5671 : 5672;
        using CancellationTokenSource patience = CancellationTokenSource.CreateLinkedTokenSource(cancellationToken);
        patience.CancelAfter(Patience);
        try
        {
            using TcpClient client = new();
            await client.ConnectAsync(broker.Host, port, patience.Token);
            return null;
        }
        catch (Exception problem) when (problem is SocketException || (problem is OperationCanceledException && !cancellationToken.IsCancellationRequested))
        {
            return $"the broker at {broker.Host}:{port} does not answer";
        }
    }

    private WebApplication Waiting(Func<string?> problem)
    {
        WebApplicationBuilder builder = WebApplication.CreateSlimBuilder(["--hostBuilder:reloadConfigOnChange=false"]);
        builder.Logging.ClearProviders();
        builder.WebHost.ConfigureKestrel(kestrel => TitrationHost.Listen(kestrel, settings));
        WebApplication app = builder.Build();
        app.MapGet("/health/live", () => "alive");
        app.MapGet("/health/ready", () => Results.Text($"waiting: {problem()}", statusCode: StatusCodes.Status503ServiceUnavailable));
        return app;
    }
}
