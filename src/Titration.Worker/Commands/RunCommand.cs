using System.CommandLine;
using System.Data.Common;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using Titration.Worker.Hosting;

namespace Titration.Worker.Commands;

/// <summary><c>titration run</c>.</summary>
internal static class RunCommand
{
    public static Command Create()
    {
        Command command = new("run", """
            Runs the service until it is told to stop (Ctrl+C, SIGTERM).

            Without configuration: messages in memory, SQLite and an embedded FHIR endpoint in ./data, on loopback only. Try it:
              curl -s localhost:8088/inbound -H 'content-type: application/fhir+json' --data-binary @observation.json
              curl -s localhost:8088/fhir/CommunicationRequest
            """);
        command.SetAction((_, cancellationToken) => RunAsync(cancellationToken));
        return command;
    }

    private static async Task<int> RunAsync(CancellationToken cancellationToken)
    {
        if (CommandSettings.Load() is not { } settings)
        {
            return ExitCode.Usage;
        }

        try
        {
            Directory.CreateDirectory(settings.Options.DataFolder);
            settings = settings with { Ledger = settings.Ledger.WithOwnKey() };
            await using WebApplication app = await StartUp.StartAsync(settings, TimeProvider.System, Timing.Default, Console.Error, cancellationToken);
            await AnnounceAsync(app, settings, cancellationToken);
            await app.WaitForShutdownAsync(cancellationToken);
            return ExitCode.Done;
        }
        catch (OperationCanceledException)
        {
            // Told to stop while it waited.
            return ExitCode.Done;
        }
        catch (DbException problem)
        {
            Console.Error.WriteLine($"titration: the database cannot be used ({problem.GetType().Name} {problem.SqlState}); check Titration__Database__ConnectionString and Titration__DataFolder.");
        }
        catch (UnauthorizedAccessException)
        {
            Console.Error.WriteLine($"titration: \"{settings.Options.DataFolder}\" cannot be written to; set Titration__DataFolder to a folder that can.");
        }
        catch (IOException problem)
        {
            Console.Error.WriteLine($"titration: cannot start: {problem.Message} Titration__Health__Port and Titration__DataFolder say where it listens and writes.");
        }

        return ExitCode.Found;
    }

    private static async Task AnnounceAsync(WebApplication app, Settings settings, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await app.Services.GetRequiredService<IDbContextFactory<TitrationDbContext>>().CreateDbContextAsync(cancellationToken);
        OperatingMode mode = await database.ModeAsync(cancellationToken);
        string address = app.Urls.FirstOrDefault() ?? $"http://localhost:{settings.Options.Health.Port}";
        TitrationOptions options = settings.Options;
        Console.WriteLine($"titration is running: protocol {settings.Policy.Protocol.Name} {settings.Policy.Protocol.Version}, policy {settings.Policy.Hash[..12]}, clinic time {settings.Policy.Zone.Id}");
        Console.WriteLine($"  messages   {(options.EmbeddedBroker ? $"in memory; POST FHIR JSON to {address}/inbound" : $"queue {Messaging.Queue} on {new Uri(options.Broker.Uri).Host}")}");
        Console.WriteLine($"  database   {options.Database.Provider}{(options.Database.Provider == "sqlite" ? $" in {Path.GetFullPath(options.DataFolder)}" : "")}");
        Console.WriteLine($"  FHIR       {(options.EmbeddedFhirServer ? $"embedded at {address}/fhir (to try it out; no evidence of interoperability)" : options.FhirServer.BaseUrl)}");
        Console.WriteLine($"  ledger     checkpoints in {settings.Ledger.Folder.Path}, {(settings.Ledger.Key is { } key ? $"signed by key {key.Fingerprint[..16]}" : "NOT signed: set Titration__Ledger__KeyFile")}");
        Console.WriteLine($"  mode       {mode.Code()}{(mode == OperatingMode.Shadow ? ": nothing is sent" : mode == OperatingMode.Paused ? ": only safety referrals and withdrawals are sent" : "")}");
        Console.WriteLine($"  health     {address}/health/ready");
        Console.WriteLine($"  status     {address}/status (on this machine)");
    }
}
