using System.CommandLine;
using System.Diagnostics;
using Microsoft.EntityFrameworkCore;
using Spectre.Console;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Sandbox;
using Titration.Sandbox.Clinic;
using Titration.Sandbox.Storing;
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
    private static readonly DateOnly First = new(2026, 1, 12);

    public static Command Create()
    {
        Option<int> days = new("--days") { Description = "How long to play, 1 to 730.", DefaultValueFactory = _ => DefaultDays, CustomParser = r => WholeNumbers.Of(r, 730)[0] };
        Option<int> patients = new("--patients")
        {
            Description = "How many, 1 to 2000; beyond the 13 with a story they are drawn.",
            DefaultValueFactory = _ => InventedPatients.All.Count,
            CustomParser = r => WholeNumbers.Of(r, 2000)[0],
        };
        Option<int> seed = new("--seed") { Description = "Draws other patients.", DefaultValueFactory = _ => 1 };
        Option<string?> patient = new("--patient") { Description = "Show only this patient's decisions, such as alder-1." };
        Option<string?> folder = new("--folder") { Description = "A new or empty folder for what was on the FHIR server: every version of every resource, a file each." };
        Option<string?> data = new("--data") { Description = "A new or empty folder for the service's own data: database, ledger key, checkpoints." };
        Command command = new("demo", """
            Plays an invented clinic on embedded parts: messages in memory, SQLite, the embedded FHIR endpoint, on a simulated clock.
            Nothing is kept but with --folder or --data. Shows what was decided for whom and why, what stands on the FHIR server in the end, the clinic in
            figures, and whether what must hold has held. Exit code 1: it has not.

              titration demo --patient elm-5
              titration demo --patients 300 --days 182
              titration demo --data clinic && Titration__DataFolder=clinic titration ledger verify
            """)
        { days, patients, seed, patient, folder, data };
        command.SetAction((parsed, cancellationToken) =>
        {
            int count = parsed.GetValue(patients);
            IReadOnlyList<PatientStory> stories =
            [
                .. InventedPatients.All.Take(count),
                .. GeneratedPatients.Of(Math.Max(0, count - InventedPatients.All.Count), InventedPatients.All.Count + 1, parsed.GetValue(seed)),
            ];
            return RunAsync(new Play(stories, parsed.GetValue(days), parsed.GetValue(patient), parsed.GetValue(folder), parsed.GetValue(data)), cancellationToken);
        });
        return command;
    }

    private static async Task<int> RunAsync(Play play, CancellationToken cancellationToken)
    {
        if (play.Only is { } only && !play.Stories.Any(s => s.Id == only))
        {
            await Console.Error.WriteLineAsync($"titration: --patient: there is no {only} among the patients, such as {play.Stories[0].Id}");
            return ExitCode.Usage;
        }

        foreach ((string option, string? kept) in (ReadOnlySpan<(string, string?)>)[("--folder", play.Folder), ("--data", play.Data)])
        {
            if (Directory.Exists(kept) && Directory.EnumerateFileSystemEntries(kept).Any())
            {
                return Records.Refuse($"{option}: \"{kept}\" is not empty");
            }
        }

        string folder = play.Data is null ? Directory.CreateTempSubdirectory("titration-demo-").FullName : Directory.CreateDirectory(play.Data).FullName;
        try
        {
            Settings? settings = CommandSettings.Load(
                ("DataFolder", folder), ("Health:Port", "0"), ("Broker:Uri", ""), ("FhirServer:BaseUrl", ""), ("Database:Provider", "sqlite"),
                ("Database:ConnectionString", ""), ("Ledger:KeyFile", ""), ("Ledger:CheckpointFolder", ""), ("Clinic:TimeZone", "Europe/London"), ("Clinic:Organization", InventedClinic.Organization), ("Clinic:Pool", ""),
                ("Clinic:Name", "Harbour Road Skin Clinic"), ("Mode", "live"), ("RampIn:ProposalsPerDay", "0"));
            // Nothing of it is kept, so nothing has to survive a power cut.
            return settings is null
                ? ExitCode.Usage
                : await PlayAsync(
                    settings with { Database = settings.Database with { Durable = false }, Ledger = settings.Ledger.WithOwnKey() }, play, cancellationToken);
        }
        finally
        {
            if (play.Data is null)
            {
                Directory.Delete(folder, recursive: true);
            }
        }
    }

    private static async Task<int> PlayAsync(Settings settings, Play play, CancellationToken cancellationToken)
    {
        Stopwatch watch = Stopwatch.StartNew();
        SimulatedClock clock = new(ClinicZone.StartOf(First, settings.Policy.Zone));
        await using WebApplication app = TitrationHost.Build(settings, clock, scheduled: false);
        await TitrationHost.PrepareDatabaseAsync(app.Services, settings, cancellationToken);
        await app.StartAsync(cancellationToken);
        using HttpClient http = new() { BaseAddress = new Uri(app.Urls.First() + "/") };
        InventedClinic clinic = new(http, clock, play.Stories, First);
        await clinic.OpenAsync(cancellationToken);
        List<DateTimeOffset> instants = [];
        await AnsiConsole.Progress().Columns(new TaskDescriptionColumn(), new ProgressBarColumn(), new PercentageColumn(), new RemainingTimeColumn())
            .StartAsync(async progress =>
            {
                ProgressTask playing = progress.AddTask($"{play.Days} days at an invented clinic of {play.Stories.Count}", maxValue: play.Days);
                for (int day = 0; day < play.Days; day++)
                {
                    instants.AddRange(await DayAsync(app.Services, clinic, clock, First.AddDays(day), settings.Policy.Zone, cancellationToken));
                    playing.Increment(1);
                }
            });
        TimeSpan played = watch.Elapsed;
        await using TitrationDbContext database = await app.Services.GetRequiredService<IDbContextFactory<TitrationDbContext>>().CreateDbContextAsync(cancellationToken);
        if (play.Only is not null || play.Stories.Count <= InventedPatients.All.Count)
        {
            await DemoOutput.WriteDecisionsAsync(database, play.Stories, play.Only, settings.Policy.Zone, cancellationToken);
            await DemoOutput.WriteCommunicationsAsync(http, play.Only, cancellationToken);
        }

        FhirStore store = app.Services.GetRequiredService<FhirStore>();
        DemoReplay replay = new(settings);
        replay.Play(store.Versions(), instants);
        DemoFigures.Write(replay, play.Stories.Count, play.Days, await DecisionsAsync(database, cancellationToken));
        Keep(store, play.Folder);
        AnsiConsole.MarkupLineInterpolated(
            $"{play.Days} days played in {played.TotalSeconds:0.0} s, replayed and checked in {(watch.Elapsed - played).TotalSeconds:0.0} s. Everything here is invented; the service proposes, a clinician decides.");
        await app.StopAsync(cancellationToken);
        return replay.Violations.Count == 0 ? ExitCode.Done : ExitCode.Found;
    }

    /// <summary>Midnight, ten o'clock for the clinic, eight in the evening for the patients; what fell due before each.</summary>
    /// <returns>The instants at which something was done.</returns>
    private static async Task<DateTimeOffset[]> DayAsync(
        IServiceProvider services, InventedClinic clinic, SimulatedClock clock, DateOnly day, TimeZoneInfo zone, CancellationToken cancellationToken)
    {
        DateTimeOffset[] instants = [ClinicZone.StartOf(day, zone), ClinicZone.At(day, new TimeOnly(10, 0), zone), ClinicZone.At(day, new TimeOnly(20, 0), zone)];
        await ComeToAsync(services, clock, instants[0], cancellationToken);
        await ComeToAsync(services, clock, instants[1], cancellationToken);
        await clinic.DayAsync(day, cancellationToken);
        await DeliverAsync(services, cancellationToken);
        await ComeToAsync(services, clock, instants[2], cancellationToken);
        await clinic.EveningAsync(day, cancellationToken);
        await DeliverAsync(services, cancellationToken);
        await services.GetRequiredService<ClinicCheckpoints>().RunAsync(cancellationToken);
        return instants;
    }

    private static async Task ComeToAsync(IServiceProvider services, SimulatedClock clock, DateTimeOffset instant, CancellationToken cancellationToken)
    {
        clock.MoveTo(instant);
        await services.GetRequiredService<DueSweep>().RunAsync(cancellationToken);
        await services.GetRequiredService<OverdueDigest>().RunAsync(cancellationToken);
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

    private static async Task<Dictionary<Outcome, int>> DecisionsAsync(TitrationDbContext database, CancellationToken cancellationToken) =>
        await database.DecisionContents.Where(d => d.Outcome != null).GroupBy(d => d.Outcome!.Value).ToDictionaryAsync(g => g.Key, g => g.Count(), cancellationToken);

    private static void Keep(FhirStore store, string? folder)
    {
        if (folder is null)
        {
            return;
        }

        foreach (StoredVersion version in store.Versions())
        {
            string path = Directory.CreateDirectory(Path.Combine(folder, version.Type)).FullName;
            File.WriteAllBytes(Path.Combine(path, $"{version.Id}-{version.Version}.json"), version.Body.Span);
        }
    }

    /// <summary>What is to be played.</summary>
    private sealed record Play(IReadOnlyList<PatientStory> Stories, int Days, string? Only, string? Folder, string? Data);
}
