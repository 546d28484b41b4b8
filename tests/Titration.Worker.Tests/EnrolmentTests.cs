using System.Text.Json.Nodes;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Titration.Worker.Tests.Reading;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>Where the clinic follows enrolled patients only (<c>Titration:Clinic:Follow</c>).</summary>
public sealed class EnrolmentTests
{
    private static readonly (string, string) EnrolledOnly = ("Clinic:Follow", "enrolled");

    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task Nobody_is_asked_before_a_clinician_has_enrolled_them_and_the_patient_cannot_do_it()
    {
        ShiftedClock clock = new(_days.At(7, 20));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled, settings: EnrolledOnly);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"), FollowUp("p1", 1, yes: true, by: "Patient/p1"));
        await worker.PassAsync(Cancelled);
        Assert.Empty(await worker.SearchAsync("CommunicationRequest", Cancelled));
        Assert.Contains("not followed", (await worker.RunAsync(Cancelled, "course", "list")).Output, StringComparison.Ordinal);

        await worker.TakeInAsync(Cancelled, FollowUp("p1", 7, yes: true));
        await worker.PassAsync(Cancelled);
        Assert.Single(await worker.SearchAsync("CommunicationRequest", Cancelled));
    }

    [Fact]
    public async Task What_stands_open_is_withdrawn_when_a_clinician_ends_it_and_nothing_new_comes()
    {
        ShiftedClock clock = new(_days.At(15, 9));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled, settings: EnrolledOnly);
        await worker.PutAsync(FhirJson.Patient("p1"), Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"), FollowUp("p1", 0, yes: true), _days.CheckIn("p1", 5, applied: 3), _days.CheckIn("p1", 13, applied: 4));
        await worker.PassAsync(Cancelled);
        Assert.Single(await worker.SearchAsync("Task", Cancelled), t => Text(t, "status") == "requested");

        clock.MoveTo(_days.At(15, 20));
        await worker.TakeInAsync(Cancelled, FollowUp("p1", 15, yes: false));
        await worker.PassAsync(Cancelled);
        clock.MoveTo(_days.At(30, 9));
        await worker.TakeInAsync(Cancelled, _days.CheckIn("p1", 29, applied: 6));
        await worker.PassAsync(Cancelled);

        Assert.All(await worker.SearchAsync("Task", Cancelled), t => Assert.Equal("cancelled", Text(t, "status")));
        Assert.All(
            await worker.SearchAsync("CommunicationRequest", Cancelled),
            c => Assert.Equal(("revoked", "patient-not-followed"), (Text(c, "status"), c["statusReason"]!["coding"]![0]!["code"]!.GetValue<string>())));
        CommandOutput shown = await worker.RunAsync([("Titration__Clinic__Follow", "enrolled")], ["course", "show", "p1"], Cancelled);
        Assert.Contains("the patient is no longer followed (Observation/follow-p1-15", shown.Output, StringComparison.Ordinal);
    }

    [Fact]
    public async Task What_is_urgent_is_referred_although_nobody_follows_the_patient_and_what_is_not_is_left_to_the_clinic()
    {
        ShiftedClock clock = new(_days.At(8, 20));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled, settings: EnrolledOnly);
        await worker.TakeInAsync(Cancelled, _days.Order("swollen"), _days.Swelling("swollen", 8), _days.Order("severe"), _days.CheckIn("severe", 8, applied: 4, burning: 3));
        await worker.TakeInAsync(Cancelled, _days.Order("burnt"), FhirJson.Observation("sunburn", "valueBoolean", true, id: "sun", patient: "burnt", effective: Instant(8, 19)));
        await worker.PassAsync(Cancelled);

        Assert.Equal(
            ["Patient/severe urgent", "Patient/swollen stat"],
            (await worker.SearchAsync("Task", Cancelled)).Select(t => $"{Text(t["for"]!, "reference")} {Text(t, "priority")}").Order(StringComparer.Ordinal));
        // Nobody took the treatment away: the patient is told to leave it out.
        Assert.Equal(
            ["Patient/severe", "Patient/swollen"],
            (await worker.SearchAsync("CommunicationRequest", Cancelled)).Where(c => Text(c["recipient"]![0]!, "reference").StartsWith("Patient/", StringComparison.Ordinal))
                .Select(c => Text(c["recipient"]![0]!, "reference")).Order(StringComparer.Ordinal));
        await ReplaysAsync(worker);
    }

    [Fact]
    public async Task A_clinic_that_follows_enrolled_patients_from_now_on_withdraws_from_the_others_at_once_and_asks_them_again_when_it_follows_all()
    {
        using TemporaryFolder folder = new();
        ShiftedClock clock = new(_days.At(8, 9));
        await using (EmbeddedWorker all = await EmbeddedWorker.StartAsync(clock, Cancelled, folder.Path))
        {
            await all.TakeInAsync(Cancelled, _days.Order("p1"));
            await all.PassAsync(Cancelled);
            Assert.Equal(["active"], await StatusesAsync(all));
        }

        clock.MoveTo(_days.At(8, 10));
        await using (EmbeddedWorker enrolled = await EmbeddedWorker.StartAsync(clock, Cancelled, folder.Path, settings: EnrolledOnly))
        {
            await enrolled.PassAsync(Cancelled);
            Assert.Equal(["revoked"], await StatusesAsync(enrolled));
        }

        clock.MoveTo(_days.At(8, 11));
        await using EmbeddedWorker again = await EmbeddedWorker.StartAsync(clock, Cancelled, folder.Path);
        await again.PassAsync(Cancelled);
        Assert.Equal(["active", "revoked"], await StatusesAsync(again));
        await ReplaysAsync(again);
    }

    [Fact]
    public async Task The_dry_run_of_a_backfill_and_the_list_of_courses_name_the_same_patients_as_followed()
    {
        using TemporaryFolder folder = new();
        await using FilledServer server = await FilledServer.StartAsync(3, Cancelled);
        server.Put(FollowUp("filled-0001", 0, yes: true));
        Dictionary<string, string> settings = server.SettingsIn(folder.Path);
        settings["Titration__Clinic__Follow"] = "enrolled";

        CommandOutput dry = await TitrationProcess.RunAsync(folder.Path, null, settings, ["backfill", "--json"], Cancelled);
        CommandOutput applied = await TitrationProcess.RunAsync(folder.Path, null, settings, ["backfill", "--apply"], Cancelled);
        CommandOutput list = await TitrationProcess.RunAsync(folder.Path, null, settings, ["course", "list", "--json"], Cancelled);

        Assert.True(applied.ExitCode == 0, applied.Errors);
        JsonNode said = JsonNode.Parse(dry.Output)!;
        Assert.Equal((1, 2), (said["patients"]!.GetValue<int>(), said["notFollowed"]!.GetValue<int>()));
        Assert.Equal(Followed(said["courses"]!, ""), Followed(JsonNode.Parse(list.Output)!, "Patient/"));
    }

    [Fact]
    public async Task Whom_the_clinic_follows_is_all_or_enrolled_and_nothing_else()
    {
        using TemporaryFolder folder = new();
        CommandOutput run = await TitrationProcess.RunAsync(folder.Path, null, new Dictionary<string, string>(StringComparer.Ordinal) { ["Titration__Clinic__Follow"] = "some" }, ["run"], Cancelled);
        Assert.Equal(2, run.ExitCode);
        Assert.Contains("Titration:Clinic:Follow: \"some\" is neither all nor enrolled", run.Errors, StringComparison.Ordinal);
    }

    private static IEnumerable<string> Followed(JsonNode courses, string prefix) =>
        courses.AsArray().Select(c => $"{Text(c!, "patient")[prefix.Length..]} {c!["followed"]}").Order(StringComparer.Ordinal);

    private JsonObject FollowUp(string patient, int day, bool yes, string by = "Practitioner/dr-1") =>
        FhirJson.Observation("follow-up", "valueBoolean", yes, id: $"follow-{patient}-{day}", patient: patient, effective: Instant(day, 9), performer: by);

    private string Instant(int day, double hour) => $"{_days.At(day, hour):yyyy-MM-ddTHH:mm:ssZ}";

    private static async Task<IEnumerable<string>> StatusesAsync(EmbeddedWorker worker) =>
        (await worker.SearchAsync("CommunicationRequest", Cancelled)).Select(c => Text(c, "status")).Order(StringComparer.Ordinal);

    /// <summary>Every decision comes out again with the very bytes that were recorded.</summary>
    private static async Task ReplaysAsync(EmbeddedWorker worker)
    {
        CommandOutput replayed = await worker.RunAsync(Cancelled, "replay", "--json");
        Assert.True(replayed.ExitCode == 0, $"{replayed.Output}{replayed.Errors}");
    }

    private static string Text(JsonNode node, string member) => node[member]!.GetValue<string>();
}
