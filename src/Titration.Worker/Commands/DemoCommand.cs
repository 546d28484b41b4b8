using System.CommandLine;
using System.Diagnostics;
using Microsoft.EntityFrameworkCore;
using Spectre.Console;
using Titration.Protocol.Facts;
using Titration.Sandbox.Clinic;
using Titration.Storage;
using Titration.Worker.Configuration;
using Titration.Worker.Deciding;
using Titration.Worker.Delivery;
using Titration.Worker.Hosting;

namespace Titration.Worker.Commands;

/// <summary><c>titration demo</c>: an invented clinic, months in seconds, through the same path as in earnest.</summary>
internal static class DemoCommand
{
    private const int DefaultDays = 182;

    public static Command Create()
    {
        Option<int> days = new("--days") { Description = "How long to play.", DefaultValueFactory = _ => DefaultDays };
        Option<string?> patient = new("--patient") { Description = "Show only this patient's decisions, such as alder-1." };
        Command command = new("demo", """
            Plays an invented clinic on embedded parts: messages in memory, SQLite, the embedded FHIR endpoint, on a simulated clock.
            Nothing is kept. Shows what was decided for whom and why, and ends with the CommunicationRequests as they stand on the server.
            """)
        { days, patient };
        command.SetAction((parsed, cancellationToken) => RunAsync(parsed.GetValue(days), parsed.GetValue(patient), cancellationToken));
        return command;
    }

    private static async Task<int> RunAsync(int days, string? only, CancellationToken cancellationToken)
    {
        string folder = Directory.CreateTempSubdirectory("titration-demo-").FullName;
        try
        {
            Settings? settings = CommandSettings.Load(
                ("DataFolder", folder), ("Health:Port", "0"), ("Broker:Uri", ""), ("FhirServer:BaseUrl", ""), ("Database:Provider", "sqlite"),
                ("Database:ConnectionString", ""), ("Clinic:TimeZone", "Europe/London"), ("Clinic:Organization", InventedClinic.Organization), ("Clinic:Pool", ""),
                ("Clinic:Name", "Harbour Road Skin Clinic"));
            return settings is null ? ExitCode.Usage : await PlayAsync(settings, days, only, cancellationToken);
        }
        finally
        {
            Directory.Delete(folder, recursive: true);
        }
    }

    private static async Task<int> PlayAsync(Settings settings, int days, string? only, CancellationToken cancellationToken)
    {
        Stopwatch watch = Stopwatch.StartNew();
        DateOnly first = new(2026, 1, 12);
        SimulatedClock clock = new(ClinicZone.StartOf(first, settings.Policy.Zone));
        await using WebApplication app = TitrationHost.Build(settings, clock, scheduled: false);
        await TitrationHost.PrepareDatabaseAsync(app.Services, settings, cancellationToken);
        await app.StartAsync(cancellationToken);
        using HttpClient http = new() { BaseAddress = new Uri(app.Urls.First() + "/") };
        InventedClinic clinic = new(http, clock, InventedPatients.All);
        await clinic.OpenAsync(first, cancellationToken);
        await AnsiConsole.Progress().Columns(new TaskDescriptionColumn(), new ProgressBarColumn(), new PercentageColumn(), new RemainingTimeColumn())
            .StartAsync(async progress =>
            {
                ProgressTask playing = progress.AddTask($"{days} days at an invented clinic", maxValue: days);
                for (int day = 0; day < days; day++)
                {
                    await DayAsync(app.Services, clinic, clock, first.AddDays(day), settings.Policy.Zone, cancellationToken);
                    playing.Increment(1);
                }
            });
        await using TitrationDbContext database = await app.Services.GetRequiredService<IDbContextFactory<TitrationDbContext>>().CreateDbContextAsync(cancellationToken);
        await DemoOutput.WriteDecisionsAsync(database, InventedPatients.All, only, settings.Policy.Zone, cancellationToken);
        await DemoOutput.WriteCommunicationsAsync(http, cancellationToken);
        AnsiConsole.MarkupLineInterpolated($"{days} days played in {watch.Elapsed.TotalSeconds:0.0} s. Everything here is invented; the service proposes, a clinician decides.");
        await app.StopAsync(cancellationToken);
        return ExitCode.Done;
    }

    /// <summary>Midnight: what fell due. Ten o'clock: the clinic. Eight in the evening: the patients.</summary>
    private static async Task DayAsync(
        IServiceProvider services, InventedClinic clinic, SimulatedClock clock, DateOnly day, TimeZoneInfo zone, CancellationToken cancellationToken)
    {
        DateTimeOffset midnight = ClinicZone.StartOf(day, zone);
        clock.MoveTo(midnight);
        await services.GetRequiredService<DueSweep>().RunAsync(cancellationToken);
        await DeliverAsync(services, cancellationToken);
        clock.MoveTo(midnight.AddHours(10));
        await clinic.DayAsync(day, cancellationToken);
        await DeliverAsync(services, cancellationToken);
        clock.MoveTo(midnight.AddHours(20));
        await clinic.EveningAsync(day, cancellationToken);
        await DeliverAsync(services, cancellationToken);
    }

    private static async Task DeliverAsync(IServiceProvider services, CancellationToken cancellationToken)
    {
        OutboxSender sender = services.GetRequiredService<OutboxSender>();
        while (await sender.SendAsync(cancellationToken) > 0)
        {
            // As long as there is something to send.
        }
    }
}
