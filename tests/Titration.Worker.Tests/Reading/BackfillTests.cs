using System.Globalization;
using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests.Reading;

/// <summary><c>titration backfill</c> on a server that was in use before. The number of resources is that of TITRATION_BACKFILL_RESOURCES.</summary>
public sealed class BackfillTests : IDisposable
{
    private static readonly int Patients =
        int.Parse(Environment.GetEnvironmentVariable("TITRATION_BACKFILL_RESOURCES") ?? "800", CultureInfo.InvariantCulture) / FilledServer.PerPatient;

    private readonly TemporaryFolder _folder = new();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public void Dispose() => _folder.Dispose();

    [Fact]
    public async Task Killed_twice_and_called_again_it_is_complete_and_has_nothing_twice()
    {
        await using FilledServer server = await FilledServer.StartAsync(Patients, Cancelled);
        Dictionary<string, string> settings = server.SettingsIn(_folder.Path);
        string[] apply = ["backfill", "--apply", "--page-size", Patients > 100 ? "100" : "10"];

        // Once while it reads, once while it takes patients in.
        await KilledAsync(settings, apply, async database => await database.StagedResources.CountAsync(Cancelled) > server.Relevant.Count / 4);
        Assert.Equal(0, await CountAsync(d => d.Facts.CountAsync(Cancelled)));
        await KilledAsync(settings, apply, async database => await database.Courses.CountAsync(Cancelled) > Patients / 4);
        Assert.InRange(await CountAsync(d => d.Courses.CountAsync(Cancelled)), Patients / 4, Patients - 1);
        CommandOutput last = await TitrationProcess.RunAsync(_folder.Path, null, settings, apply, Cancelled);

        Assert.Equal(0, last.ExitCode);
        Assert.Contains("patients: ", last.Errors, StringComparison.Ordinal);
        await using TitrationDbContext database = Open();
        List<string> facts = await database.Facts.Where(f => f.ResourceType != "Patient").Select(f => f.ResourceType + "/" + f.ResourceId).ToListAsync(Cancelled);
        Assert.Equal(server.Relevant.Order(StringComparer.Ordinal), facts.Order(StringComparer.Ordinal), StringComparer.Ordinal);
        Assert.Equal(Patients, await database.Courses.CountAsync(Cancelled));
        // Decided about once, with everything known: no proposal of the past, and none to take back.
        Assert.Equal(Patients, await database.Decisions.CountAsync(Cancelled));
        Assert.Equal(0, await database.Outbox.CountAsync(o => o.Action != OutboxAction.Issue, Cancelled));
        Assert.Equal(0, await database.StagedResources.CountAsync(Cancelled));

        CommandOutput again = await TitrationProcess.RunAsync(_folder.Path, null, settings, ["backfill", "--apply", "--again", "--parallel", "4"], Cancelled);

        Assert.Equal(0, again.ExitCode);
        Assert.Equal((facts.Count, Patients), (await CountAsync(d => d.Facts.CountAsync(f => f.ResourceType != "Patient", Cancelled)), await CountAsync(d => d.Decisions.CountAsync(Cancelled))));
    }

    [Fact]
    public async Task The_dry_run_says_what_applying_it_then_does_and_keeps_nothing()
    {
        await using FilledServer server = await FilledServer.StartAsync(8, Cancelled);
        server.Put(new ClinicDays(new DateTimeOffset(2026, 1, 1, 0, 0, 0, TimeSpan.Zero)).Order("unmapped").With(o =>
            o["medicationCodeableConcept"] = FhirJson.Concept("https://clinic.example.org/products", "CREAM-7", "a cream")));
        server.Put(new ClinicDays(new DateTimeOffset(2026, 1, 1, 0, 0, 0, TimeSpan.Zero)).Order("unreadable").With(o => o["status"] = "nonsense"));
        Dictionary<string, string> settings = server.SettingsIn(_folder.File("none"));

        CommandOutput dry = await TitrationProcess.RunAsync(_folder.Path, null, settings, ["backfill", "--json"], Cancelled);

        Assert.False(Directory.Exists(_folder.File("none")));
        Assert.Equal(1, dry.ExitCode);
        JsonNode said = JsonNode.Parse(dry.Output)!;
        Assert.Equal(8, said["patients"]!.GetValue<int>());
        Assert.Equal("https://clinic.example.org/products|CREAM-7", Assert.Single(said["unmapped"]!.AsArray())!["what"]!.GetValue<string>());
        Assert.StartsWith("MedicationRequest.status", Assert.Single(said["unreadable"]!.AsArray())!["what"]!.GetValue<string>(), StringComparison.Ordinal);
        string[] outcomes = [.. said["courses"]!.AsArray().Select(c => $"{c!["patient"]} {c["outcome"]}").Order(StringComparer.Ordinal)];
        Assert.Contains("filled-0003 Withhold", outcomes, StringComparer.Ordinal);

        settings["Titration__DataFolder"] = _folder.Path;
        CommandOutput applied = await TitrationProcess.RunAsync(_folder.Path, null, settings, ["backfill", "--apply"], Cancelled);

        Assert.Equal(1, applied.ExitCode);
        await using TitrationDbContext database = Open();
        List<CourseRow> courses = await database.Courses.AsNoTracking().ToListAsync(Cancelled);
        Assert.Equal(outcomes, courses.Select(c => $"{c.Patient} {c.Outcome}").Order(StringComparer.Ordinal), StringComparer.Ordinal);
        Assert.Equal((1, 1), (await database.Quarantine.CountAsync(Cancelled), await database.UnmappedCodes.CountAsync(Cancelled)));
    }

    [Fact]
    public async Task A_server_that_cannot_be_searched_is_one_line_that_says_so()
    {
        Dictionary<string, string> settings = new(StringComparer.Ordinal)
        {
            ["Titration__DataFolder"] = _folder.Path,
            ["Titration__FhirServer__BaseUrl"] = "http://127.0.0.1:9/fhir",
            ["Titration__FhirServer__Auth"] = "bearer",
            ["Titration__FhirServer__TokenFile"] = _folder.File("token"),
        };
        await File.WriteAllTextAsync(_folder.File("token"), "not-of-use", Cancelled);
        await using TokenServer server = await TokenServer.StartAsync(Cancelled);
        // It has a Patient and nothing that could be searched.
        settings["Titration__FhirServer__BaseUrl"] = server.Fhir.AbsoluteUri;

        CommandOutput output = await TitrationProcess.RunAsync(_folder.Path, null, settings, ["backfill"], Cancelled);

        Assert.Equal((1, ""), (output.ExitCode, output.Output));
        Assert.Contains("titration: the FHIR server knows no search MedicationRequest (HTTP 404).", output.Errors, StringComparison.Ordinal);
    }

    [Theory]
    [InlineData("--page-size", "0")]
    [InlineData("--parallel", "9")]
    [InlineData("--since", "yesterday")]
    [InlineData("--again")]
    [InlineData("--apply", "--dry-run")]
    public async Task A_call_that_makes_no_sense_is_refused(params string[] options) =>
        Assert.Equal(2, (await TitrationProcess.RunAsync(_folder.Path, null, new Dictionary<string, string>(StringComparer.Ordinal), ["backfill", .. options], Cancelled)).ExitCode);

    private async Task KilledAsync(Dictionary<string, string> settings, string[] arguments, Func<TitrationDbContext, Task<bool>> when)
    {
        await using TitrationProcess victim = TitrationProcess.Start(_folder.Path, settings, arguments);
        while (!victim.HasExited && !await HoldsAsync(when))
        {
            await Task.Yield();
        }

        Assert.False(victim.HasExited, $"It ended before it could be killed: {victim.Output}");
        await victim.KillAsync();
    }

    // Before the first start there is no database to ask.
    private async Task<bool> HoldsAsync(Func<TitrationDbContext, Task<bool>> when)
    {
        try
        {
            await using TitrationDbContext database = Open();
            return File.Exists(_folder.File("titration.db")) && await when(database);
        }
        catch (Microsoft.Data.Sqlite.SqliteException)
        {
            return false;
        }
    }

    private async Task<int> CountAsync(Func<TitrationDbContext, Task<int>> count)
    {
        await using TitrationDbContext database = Open();
        return await count(database);
    }

    private TitrationDbContext Open() => StorageServices.CreateContext(new DatabaseOptions
    {
        Provider = DatabaseProvider.Sqlite,
        ConnectionString = $"Data Source={_folder.File("titration.db")}",
    });
}
