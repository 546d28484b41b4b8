using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Microsoft.Extensions.DependencyInjection;
using Titration.Storage;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Titration.Worker.Deciding;
using Xunit;

namespace Titration.Worker.Tests.Ledger;

/// <summary><c>titration replay</c> on half a year of the invented clinic.</summary>
[Collection(PlayedClinicTests.Name)]
public sealed class ReplayCommandTests(PlayedClinic clinic)
{
    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task Every_decision_of_half_a_year_comes_out_byte_for_byte_whatever_the_machines_time_zone()
    {
        CommandOutput utc = await clinic.RunAsync(clinic.Data, [("TZ", "UTC")], "replay", "--json");
        CommandOutput east = await clinic.RunAsync(clinic.Data, [("TZ", "Pacific/Kiritimati")], "replay", "--json");
        CommandOutput west = await clinic.RunAsync(clinic.Data, [("TZ", "America/St_Johns")], "replay", "--json");

        int decisions = AssertIdentical(utc);
        Assert.InRange(decisions, 1000, int.MaxValue);
        Assert.Equal((utc.Output, utc.Output), (east.Output, west.Output));
        TestContext.Current.TestOutputHelper?.WriteLine($"{decisions} decisions identical in three time zones");
    }

    [Fact]
    public async Task It_does_so_on_the_other_database_too_and_the_ledger_verifies_there()
    {
        await using PostgresDatabase postgres = await PostgresDatabase.CreateAsync(Cancelled);
        DatabaseOptions target = new() { Provider = DatabaseProvider.Postgres, ConnectionString = postgres.ConnectionString };
        await CopyAsync(new DatabaseOptions { Provider = DatabaseProvider.Sqlite, ConnectionString = $"Data Source={Path.Combine(clinic.Copy("to-postgres"), "titration.db")}" }, target);
        (string, string)[] settings = [("Titration__Database__Provider", "postgres"), ("Titration__Database__ConnectionString", postgres.ConnectionString)];

        CommandOutput replayed = await clinic.RunAsync(clinic.Data, settings, "replay", "--json");
        CommandOutput here = await clinic.RunAsync(clinic.Data, [], "replay", "--json");
        CommandOutput verified = await clinic.RunAsync(clinic.Data, settings, "ledger", "verify");

        Assert.Equal(AssertIdentical(here), AssertIdentical(replayed));
        Assert.True(verified.ExitCode == 0, verified.Output + verified.Errors);
    }

    [Fact]
    public async Task After_a_restart_with_another_time_zone_old_and_new_decisions_come_out_identical()
    {
        string copy = clinic.Copy("restarted");
        int before = AssertIdentical(await clinic.RunAsync(copy, [], "replay", "--json"));
        ShiftedClock later = new(new DateTimeOffset(2026, 8, 20, 8, 0, 0, TimeSpan.Zero));
        await using (EmbeddedWorker worker = await EmbeddedWorker.StartAsync(later, Cancelled, copy, settings: ("Clinic:TimeZone", "Europe/Berlin")))
        {
            Assert.NotEqual(0, await worker.Services.GetRequiredService<DueSweep>().RunAsync(Cancelled));
        }

        int after = AssertIdentical(await clinic.RunAsync(copy, [], "replay", "--json"));

        Assert.InRange(after, before + 1, int.MaxValue);
    }

    [Fact]
    public async Task The_end_of_a_course_whose_order_was_entered_in_error_comes_out_identical_however_often_it_was_looked_at_before()
    {
        ClinicDays days = ClinicDays.LongAgo();
        ShiftedClock clock = new(days.At(7));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        await worker.TakeInAsync(Cancelled, days.Order("p1"), days.Swelling("p1", 5));
        // A look that changes what stands of the course, and decides nothing.
        await worker.TakeInAsync(Cancelled, days.CheckIn("p1", 5, applied: 3));
        JsonObject order = days.Order("p1");
        (order["status"], order["meta"]!["versionId"], order["meta"]!["lastUpdated"]) = ("entered-in-error", "2", clock.GetUtcNow().ToString("yyyy-MM-ddTHH:mm:ssZ", null));
        await worker.TakeInAsync(Cancelled, order);

        Assert.InRange(AssertIdentical(await worker.RunAsync(Cancelled, "replay", "--json")), 2, int.MaxValue);
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        byte[] last = await database.DecisionContents.OrderByDescending(c => c.Sequence).Select(c => c.Content).FirstAsync(Cancelled);
        Assert.Equal((null, 0), (StoredJson.ReadEvaluation(last).Outcome, StoredJson.ReadEvaluation(last).Reasons.Length));
    }

    [Fact]
    public async Task A_decision_that_does_not_follow_from_its_facts_is_named_with_what_differs()
    {
        string copy = clinic.Copy("forged");
        await PlayedClinic.ExecuteAsync(copy, """
            UPDATE decision_content SET content = CAST(replace(CAST(content AS TEXT), '"outcome":"StepUp"', '"outcome":"Maintain"') AS BLOB)
            WHERE decision_id = (SELECT decision_id FROM decision_content WHERE outcome = 'StepUp' ORDER BY patient, sequence LIMIT 1)
            """);

        CommandOutput json = await clinic.RunAsync(copy, [], "replay", "--json");
        CommandOutput table = await clinic.RunAsync(copy, [], "replay");

        JsonNode different = Assert.Single(JsonNode.Parse(json.Output)!["different"]!.AsArray())!;
        Assert.Equal((1, "Maintain, now StepUp", "outcome"), (json.ExitCode, different["kind"]!.GetValue<string>(), different["members"]![0]!.GetValue<string>()));
        Assert.Equal(1, table.ExitCode);
        Assert.Contains(different["patient"]!.GetValue<string>(), table.Output, StringComparison.Ordinal);
        Assert.Contains("1 different", table.Output, StringComparison.Ordinal);
    }

    [Fact]
    public async Task A_protocol_that_holds_each_step_for_longer_shows_the_steps_up_it_would_not_have_made()
    {
        JsonNode protocol = JsonNode.Parse(await File.ReadAllTextAsync(Repository.File("contracts", "protocols", "topical-retinoid-titration.json"), Cancelled))!;
        protocol["standardLadder"]!["minimumDaysOnStep"] = 21;
        protocol["version"] = "2.0.0";
        string file = Path.Combine(clinic.Copy("proposed"), "slower.json");
        await File.WriteAllTextAsync(file, protocol.ToJsonString(), Cancelled);

        CommandOutput json = await clinic.RunAsync(clinic.Data, [], "replay", "--protocol", file, "--json");
        CommandOutput table = await clinic.RunAsync(clinic.Data, [], "replay", "--protocol", file);
        CommandOutput broken = await clinic.RunAsync(clinic.Data, [], "replay", "--protocol", Repository.File("LICENSE"));

        JsonNode kinds = JsonNode.Parse(json.Output)!["kinds"]!;
        Assert.True(json.ExitCode == 0, json.Output + json.Errors);
        Assert.InRange(kinds["StepUp, now Maintain"]!.GetValue<int>(), 10, int.MaxValue);
        Assert.Null(kinds["Maintain, now StepUp"]);
        Assert.Contains("StepUp, now Maintain", table.Output, StringComparison.Ordinal);
        Assert.Contains("2.0.0", table.Output, StringComparison.Ordinal);
        Assert.Equal(2, broken.ExitCode);
        TestContext.Current.TestOutputHelper?.WriteLine(table.Output);
    }

    [Fact]
    public async Task One_patients_decisions_are_replayed_alone_and_nobody_elses_name_is_taken_for_one()
    {
        int all = AssertIdentical(await clinic.RunAsync(clinic.Data, [], "replay", "--json"));
        Assert.InRange(AssertIdentical(await clinic.RunAsync(clinic.Data, [], "replay", "--json", "--patient", "elm-5")), 1, all - 1);

        CommandOutput nobody = await clinic.RunAsync(clinic.Data, [], "replay", "--patient", "nobody-1");
        Assert.Equal(2, nobody.ExitCode);
        Assert.Contains("nobody-1", nobody.Errors, StringComparison.Ordinal);
    }

    private static int AssertIdentical(CommandOutput replay)
    {
        Assert.True(replay.ExitCode == 0, replay.Output + replay.Errors);
        JsonNode report = JsonNode.Parse(replay.Output)!;
        Assert.Equal((report["decisions"]!.GetValue<int>(), 0, 0), (report["identical"]!.GetValue<int>(), report["different"]!.AsArray().Count, report["notReplayed"]!.GetValue<int>()));
        return report["identical"]!.GetValue<int>();
    }

    private static async Task CopyAsync(DatabaseOptions from, DatabaseOptions to)
    {
        await using TitrationDbContext source = StorageServices.CreateContext(from);
        await using TitrationDbContext target = StorageServices.CreateContext(to);
        await target.MigrateAsync(Cancelled);
        target.AddRange(await source.Patients.AsNoTracking().ToListAsync(Cancelled));
        target.AddRange(await source.Facts.AsNoTracking().ToListAsync(Cancelled));
        target.AddRange(await source.Chains.AsNoTracking().ToListAsync(Cancelled));
        target.AddRange(await source.Decisions.AsNoTracking().ToListAsync(Cancelled));
        target.AddRange(await source.DecisionContents.AsNoTracking().ToListAsync(Cancelled));
        target.AddRange(await source.Policies.AsNoTracking().ToListAsync(Cancelled));
        target.AddRange(await source.Checkpoints.AsNoTracking().ToListAsync(Cancelled));
        target.AddRange(await source.CheckpointHeads.AsNoTracking().ToListAsync(Cancelled));
        await target.SaveChangesAsync(Cancelled);
    }
}
