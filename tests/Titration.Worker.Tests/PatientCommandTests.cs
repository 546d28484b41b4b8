using System.Net;
using System.Net.Http.Json;
using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Intake;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary><c>titration patient</c> beside a running service, and what the service does with an erased patient's messages.</summary>
public sealed class PatientCommandTests
{
    private const string Key = "the clinic's own key, forty characters..";
    private static readonly (string, string)[] WithKey = [("Titration__Privacy__Key", Key)];

    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task Everything_held_is_exported_and_each_decision_can_be_verified_from_the_export_alone()
    {
        await using EmbeddedWorker worker = await StartAsync();
        await FillAsync(worker, "p1");
        string file = Path.Combine(worker.Settings.Options.DataFolder, "out.json");

        CommandOutput done = await worker.RunAsync(Cancelled, "patient", "export", "Patient/p1", "--output", file);
        CommandOutput again = await worker.RunAsync(Cancelled, "patient", "export", "p1", "--output", file);
        CommandOutput nobody = await worker.RunAsync(Cancelled, "patient", "export", "p9");

        Assert.Equal((0, 2, 1), (done.ExitCode, again.ExitCode, nobody.ExitCode));
        Assert.Contains($"Wrote {file}", done.Output, StringComparison.Ordinal);
        Assert.Contains("not overwritten", again.Errors, StringComparison.Ordinal);
        Assert.False(File.Exists(Path.Combine(worker.Settings.Options.DataFolder, "patient-p9.json")));
        Assert.True(OperatingSystem.IsWindows() || File.GetUnixFileMode(file) == (UnixFileMode.UserRead | UnixFileMode.UserWrite));
        JsonNode export = JsonNode.Parse(await File.ReadAllTextAsync(file, Cancelled))!;
        Assert.Equal(
            (3, 1, 1, 1), (export["facts"]!.AsArray().Count, export["courses"]!.AsArray().Count, export["quarantine"]!.AsArray().Count, export["waiting"]!.AsArray().Count));
        Assert.NotEmpty(export["outbox"]!.AsArray());
        Assert.Contains(export["communications"]!.AsArray(), c => c!["onFhirServer"]!.AsArray().Count > 0);
        Assert.NotEmpty(export["decisions"]!.AsArray());
        Assert.All(export["decisions"]!.AsArray(), d => Assert.Equal(d!["chain"]!["contentDigest"]!.GetValue<string>(), DigestOf(d!)));
    }

    [Fact]
    public async Task An_erased_patient_is_in_no_table_any_more_and_the_ledger_holds_as_before()
    {
        await using EmbeddedWorker worker = await StartAsync();
        await FillAsync(worker, "gone");
        await FillAsync(worker, "kept");
        await VerifyAsync(worker);
        Assert.NotEqual(0, await MentionsAsync(worker, "gone"));
        int kept = await MentionsAsync(worker, "kept");

        CommandOutput dry = await worker.RunAsync(WithKey, ["patient", "erase", "gone", "--dry-run"], Cancelled);
        Assert.NotEqual(0, await MentionsAsync(worker, "gone"));
        CommandOutput erased = await worker.RunAsync(WithKey, ["patient", "erase", "gone", "--yes", "--json"], Cancelled);

        Assert.Equal((0, 0), (dry.ExitCode, erased.ExitCode));
        JsonNode said = JsonNode.Parse(erased.Output)!;
        Assert.Equal((3, 1, 1), (said["held"]!["facts"]!.GetValue<int>(), said["held"]!["quarantine"]!.GetValue<int>(), said["held"]!["waiting"]!.GetValue<int>()));
        // What stands on the clinic's server is named, so that somebody can look after it.
        Assert.Contains(said["onFhirServer"]!.AsArray(), r => r!["open"]!.GetValue<bool>() && r["resource"]!.GetValue<string>().StartsWith("CommunicationRequest/", StringComparison.Ordinal));
        Assert.Equal((0, kept), (await MentionsAsync(worker, "gone"), await MentionsAsync(worker, "kept")));
        await VerifyAsync(worker);
    }

    [Fact]
    public async Task What_still_comes_of_an_erased_patient_is_recognised_and_nothing_of_it_is_kept()
    {
        await using EmbeddedWorker worker = await StartAsync();
        await FillAsync(worker, "gone");
        await worker.RunAsync(WithKey, ["patient", "erase", "gone", "--yes"], Cancelled);
        byte[][] late =
        [
            _days.Order("gone").ToUtf8(), _days.CheckIn("gone", 7, applied: 3).ToUtf8(), Parked("gone"), Broken("gone"), _days.CheckIn("gone", 8, applied: 3).ToUtf8()[..^30],
            FhirJson.Patient("gone").ToUtf8(),
        ];

        foreach (byte[] body in late)
        {
            using HttpResponseMessage response = await worker.PostAsync(body, Cancelled);
            JsonArray results = (await response.Content.ReadFromJsonAsync<JsonArray>(Cancelled))!;
            Assert.All(results, r => Assert.Equal("erased", r!["disposition"]!.GetValue<string>()));
        }

        await worker.PassAsync(Cancelled);
        Assert.Equal(0, await MentionsAsync(worker, "gone"));
        await VerifyAsync(worker);
    }

    [Fact]
    public async Task Of_a_Bundle_the_others_part_is_taken_in()
    {
        await using EmbeddedWorker worker = await StartAsync();
        await worker.RunAsync(WithKey, ["patient", "erase", "gone", "--yes"], Cancelled);

        await worker.TakeInAsync(Cancelled, FhirJson.Bundle("collection", _days.Order("gone"), _days.Order("here"), FhirJson.CheckIn("x", patient: "gone")));

        Assert.Equal(0, await MentionsAsync(worker, "gone"));
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        Assert.Equal(["here"], await database.Patients.Select(p => p.Id).ToListAsync(Cancelled));
    }

    /// <summary>Its bytes hold what was erased, and dropping it in silence would drop the others' findings: that it came stays in sight.</summary>
    [Fact]
    public async Task A_Bundle_that_cannot_be_taken_apart_and_names_an_erased_patient_leaves_a_trace_without_its_bytes()
    {
        await using EmbeddedWorker worker = await StartAsync();
        await worker.RunAsync(WithKey, ["patient", "erase", "gone", "--yes"], Cancelled);

        using HttpResponseMessage response = await worker.PostAsync(FhirJson.Bundle("collection", _days.Order("gone"), _days.Order("here")).ToUtf8()[..^5], Cancelled);

        Assert.Equal(HttpStatusCode.UnprocessableEntity, response.StatusCode);
        Assert.Equal(0, await MentionsAsync(worker, "gone"));
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        QuarantineRow held = await database.Quarantine.SingleAsync(Cancelled);
        Assert.Equal(("erased", 0, null), (held.Reason, held.Content.Length, held.Patient));
    }

    [Fact]
    public async Task A_message_of_several_patients_in_quarantine_goes_with_the_first_of_them_and_the_summary_says_so()
    {
        await using EmbeddedWorker worker = await StartAsync();
        using HttpResponseMessage response = await worker.PostAsync(FhirJson.Bundle("collection", _days.Order("gone"), _days.Order("here")).ToUtf8()[..^5], Cancelled);

        CommandOutput erased = await worker.RunAsync(WithKey, ["patient", "erase", "gone", "--yes"], Cancelled);

        Assert.Contains("tell of other patients too", erased.Output, StringComparison.Ordinal);
        Assert.Equal(0, await MentionsAsync(worker, "gone"));
    }

    [Fact]
    public async Task A_message_in_quarantine_that_names_its_patient_is_filed_under_the_patient()
    {
        await using EmbeddedWorker worker = await StartAsync();
        await worker.PostAsync(Broken("p1"), Cancelled);
        await worker.PostAsync(Parked("p1"), Cancelled);

        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        Assert.Equal(("p1", "p1"), ((await database.Quarantine.SingleAsync(Cancelled)).Patient, (await database.Waiting.SingleAsync(Cancelled)).Patient));
    }

    [Fact]
    public async Task A_retry_of_what_turns_out_to_be_an_erased_patients_removes_it()
    {
        await using EmbeddedWorker worker = await StartAsync();
        await worker.RunAsync(WithKey, ["patient", "erase", "gone", "--yes"], Cancelled);
        await using (TitrationDbContext database = await worker.OpenAsync(Cancelled))
        {
            // As a backup that was restored might bring it back.
            await database.QuarantineAsync(new UnreadableMessage(_days.Order("gone").ToUtf8(), "queue", "unreadable", "$", "too new", null), _days.At(7), Cancelled);
            await database.KeepWaitingAsync(new WaitingResource(Parked("gone"), WaitingReason.Unmapped, ["s|c"], "gone"), _days.At(7), _days.At(7), Cancelled);
        }

        await worker.RunAsync(Cancelled, "quarantine", "retry", "--all");
        await worker.RetryWaitingAsync(Cancelled);

        Assert.Equal(0, await MentionsAsync(worker, "gone"));
    }

    [Fact]
    public async Task Where_somebody_was_erased_the_service_waits_for_the_key_and_says_so()
    {
        using TemporaryFolder folder = new();
        await using (EmbeddedWorker worker = await StartAsync(folder.Path))
        {
            await worker.TakeInAsync(Cancelled, _days.Order("gone"));
            await worker.RunAsync(WithKey, ["patient", "erase", "gone", "--yes"], Cancelled);
            Assert.Equal(HttpStatusCode.OK, (await worker.Http.GetAsync(new Uri("health/ready", UriKind.Relative), Cancelled)).StatusCode);
        }

        Dictionary<string, string> settings = new(StringComparer.Ordinal) { ["Titration__DataFolder"] = folder.Path, ["Titration__Health__Port"] = "0" };
        await using TitrationProcess without = TitrationProcess.Start(folder.Path, settings, "run");
        Assert.StartsWith(ErasureKeyException.Problem, await without.LineAsync("titration: waiting:", Cancelled), StringComparison.Ordinal);
        settings["Titration__Privacy__Key"] = new string('x', 32);
        await using TitrationProcess other = TitrationProcess.Start(folder.Path, settings, "run");
        Assert.StartsWith(ErasureKeyException.Problem, await other.LineAsync("titration: waiting:", Cancelled), StringComparison.Ordinal);
        await without.KillAsync();
        await other.KillAsync();
        settings["Titration__Privacy__Key"] = Key;
        await using TitrationProcess with = TitrationProcess.Start(folder.Path, settings, "run");
        await with.LineAsync("health", Cancelled);
    }

    [Fact]
    public async Task A_running_service_without_the_key_takes_nothing_in_once_somebody_was_erased()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(10)), Cancelled);
        await worker.RunAsync(WithKey, ["patient", "erase", "gone", "--yes"], Cancelled);

        Assert.Equal(HttpStatusCode.ServiceUnavailable, (await worker.Http.GetAsync(new Uri("health/ready", UriKind.Relative), Cancelled)).StatusCode);
        var intake = (Intake.IntakeHandler)worker.Services.GetService(typeof(Intake.IntakeHandler))!;
        Exception trouble = await Assert.ThrowsAsync<ErasureKeyException>(() => intake.HandleAsync(_days.Order("p1").ToUtf8(), "queue", null, null, Cancelled));
        // So that the bus leaves the message where it is.
        Assert.True(Hosting.Infrastructure.IsTrouble(trouble));
    }

    [Theory]
    [InlineData("Titration:Privacy:Key is not set", null, "patient", "erase", "p1", "--yes")]
    [InlineData("nobody can be asked here", Key, "patient", "erase", "p1")]
    [InlineData("needs 32 or more", "short", "patient", "erase", "p1", "--yes")]
    [InlineData("is no id of a FHIR Patient", Key, "patient", "erase", "Observation/1", "--yes")]
    [InlineData("is no id of a FHIR Patient", null, "patient", "export", "a b")]
    public async Task A_wrong_call_is_one_clear_line_and_changes_nothing(string problem, string? key, params string[] arguments)
    {
        await using EmbeddedWorker worker = await StartAsync();
        await worker.TakeInAsync(Cancelled, _days.Order("p1"));

        CommandOutput refused = await worker.RunAsync(key is null ? [] : [("Titration__Privacy__Key", key)], arguments, Cancelled);

        Assert.Equal(2, refused.ExitCode);
        Assert.Contains(problem, Assert.Single(refused.Errors.Split('\n', StringSplitOptions.RemoveEmptyEntries)), StringComparison.Ordinal);
        Assert.NotEqual(0, await MentionsAsync(worker, "p1"));
    }

    private Task<EmbeddedWorker> StartAsync(string? folder = null) =>
        EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(15)), Cancelled, folder, settings: ("Privacy:Key", Key));

    /// <summary>A course that comes to a proposal which is on the server, one message that cannot be read, and one that no mapping knows.</summary>
    private async Task FillAsync(EmbeddedWorker worker, string patient)
    {
        await worker.PutAsync(FhirJson.Patient(patient), Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order(patient), _days.Swelling(patient, 14));
        await worker.PostAsync(Parked(patient), Cancelled);
        await worker.PostAsync(Broken(patient), Cancelled);
        await worker.PassAsync(Cancelled);
    }

    private byte[] Parked(string patient) =>
        _days.Order(patient).With(o => o["medicationCodeableConcept"] = FhirJson.Concept("https://clinic.example.org/drugs", "c1", "Some cream")).With(o => o["id"] = $"parked-{patient}").ToUtf8();

    private byte[] Broken(string patient) => _days.CheckIn(patient, 6, applied: 3).With(c => c["status"] = "nonsense").ToUtf8();

    private static string DigestOf(JsonNode decision)
    {
        JsonNode chain = decision["chain"]!;
        return Convert.ToHexStringLower(DecisionChain.DigestOf(new DecisionContentRow
        {
            DecisionId = decision["decisionId"]!.GetValue<Guid>(),
            ChainId = chain["chainId"]!.GetValue<Guid>(),
            Sequence = decision["sequence"]!.GetValue<long>(),
            Patient = "p1",
            CourseId = decision["courseId"]?.GetValue<Guid>(),
            Outcome = decision["outcome"]?.GetValue<string>() is { } code ? Enum.GetValues<Protocol.Decisions.Outcome>().Single(o => Protocol.Facts.EnumCode.Code(o) == code) : null,
            Rule = decision["rule"]!.GetValue<string>(),
            InputDigest = decision["inputDigest"]!.GetValue<string>(),
            FactSequence = decision["factSequence"]!.GetValue<long>(),
            FactHead = Convert.FromHexString(chain["factHead"]!.GetValue<string>()),
            Salt = Convert.FromHexString(chain["salt"]!.GetValue<string>()),
            Content = Convert.FromBase64String(chain["content"]!.GetValue<string>()),
        }));
    }

    private static async Task VerifyAsync(EmbeddedWorker worker)
    {
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        List<ChainResult> results = await database.VerifyLedgerAsync([], Cancelled).ToListAsync(Cancelled);
        Assert.NotEmpty(results);
        Assert.All(results, result => Assert.Null(result.Break));
    }

    private static async Task<int> MentionsAsync(EmbeddedWorker worker, string text)
    {
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        int mentions = 0;
        foreach (var type in database.Model.GetEntityTypes())
        {
            foreach (var property in type.GetProperties().Where(p => p.ClrType == typeof(string) || p.ClrType == typeof(byte[])))
            {
                string query = $"SELECT count(*) AS \"Value\" FROM {type.GetTableName()} WHERE CAST({property.GetColumnName()} AS TEXT) LIKE {{0}}";
                mentions += (await database.Database.SqlQueryRaw<int>(query, $"%{text}%").ToListAsync(Cancelled))[0];
            }
        }

        return mentions;
    }
}
