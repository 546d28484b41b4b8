using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Microsoft.Extensions.DependencyInjection;
using Titration.Storage;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Titration.Worker.Telemetry;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>Shadow, live, paused, and the first days after going live: what leaves for the FHIR server, and when.</summary>
public sealed class ModeTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task In_shadow_decisions_are_recorded_and_nothing_is_sent_and_going_live_sends_what_stands_then()
    {
        ShiftedClock clock = new(_days.At(7, 20));
        await using EmbeddedWorker worker = await StartAsync(clock, ("Mode", "shadow"));
        await worker.TakeInAsync(Cancelled, _days.Order("asked"), _days.Order("swollen"), _days.Swelling("swollen", 6));
        await worker.PassAsync(Cancelled);
        Assert.Equal((0, 0, 0), (await CountAsync(worker, "CommunicationRequest"), await CountAsync(worker, "Task"), await CountAsync(worker, "Device")));
        Assert.NotEqual(0, await DecisionsAsync(worker));
        // No alarm for an emergency message that is not to leave.
        clock.MoveTo(_days.At(8, 20));
        Depths depths = await worker.Services.GetRequiredService<Watch>().LookAsync(Cancelled);
        Assert.Equal((0, null), (depths.UnconfirmedStat, depths.Outbox.OldestUnsent));

        // The question is answered before anybody was asked.
        await worker.TakeInAsync(Cancelled, _days.CheckIn("asked", 8, applied: 4));
        await SetAsync(worker, "live");
        await worker.PassAsync(Cancelled);

        IReadOnlyList<JsonObject> sent = await worker.SearchAsync("CommunicationRequest", Cancelled);
        Assert.Contains(sent, c => c["priority"]!.GetValue<string>() == "stat");
        Assert.Equal(["Patient/swollen"], Subjects(sent));
    }

    [Fact]
    public async Task Paused_only_safety_referrals_and_withdrawals_leave_and_the_rest_when_it_is_live_again()
    {
        ShiftedClock clock = new(_days.At(7, 20));
        await using EmbeddedWorker worker = await StartAsync(clock);
        await worker.TakeInAsync(Cancelled, _days.Order("asked"));
        await worker.PassAsync(Cancelled);
        JsonObject question = Assert.Single(await worker.SearchAsync("CommunicationRequest", Cancelled));

        await SetAsync(worker, "paused");
        clock.MoveTo(_days.At(8, 20));
        await worker.TakeInAsync(Cancelled, _days.CheckIn("asked", 8, applied: 4), _days.Order("later"), _days.Order("swollen"), _days.Swelling("swollen", 6));
        await worker.PassAsync(Cancelled);

        IReadOnlyList<JsonObject> sent = await worker.SearchAsync("CommunicationRequest", Cancelled);
        Assert.Equal("completed", sent.Single(c => Id(c) == Id(question))["status"]!.GetValue<string>());
        Assert.Equal(["Patient/asked", "Patient/swollen"], Subjects(sent));

        await SetAsync(worker, "live");
        await worker.PassAsync(Cancelled);
        Assert.Equal(["Patient/asked", "Patient/later", "Patient/swollen"], Subjects(await worker.SearchAsync("CommunicationRequest", Cancelled)));
    }

    [Fact]
    public async Task In_the_first_weeks_so_many_proposals_leave_a_day_and_the_others_wait_or_are_dropped_with_their_grounds()
    {
        ShiftedClock clock = new(_days.At(15, 9));
        await using EmbeddedWorker worker = await StartAsync(clock, ("RampIn:ProposalsPerDay", "2"), ("RampIn:Days", "3"));
        string[] patients = ["a", "b", "c", "d", "e"];
        foreach (string patient in patients)
        {
            await ReadyToStepUpAsync(worker, patient);
        }

        await worker.PassAsync(Cancelled);
        Assert.Equal(["Patient/a", "Patient/b"], await ProposedAsync(worker));

        // One that waits loses its grounds, and what is urgent waits for nothing.
        await worker.TakeInAsync(Cancelled, _days.Swelling("c", 14));
        await worker.PassAsync(Cancelled);
        Assert.Contains(await worker.SearchAsync("Task", Cancelled), t => t["for"]!["reference"]!.GetValue<string>() == "Patient/c" && t["priority"]!.GetValue<string>() == "stat");
        clock.MoveTo(_days.At(15, 23));
        await worker.PassAsync(Cancelled);
        Assert.Equal(2, (await ProposedAsync(worker)).Length);

        clock.MoveTo(_days.At(16, 0.1));
        await worker.PassAsync(Cancelled);
        Assert.Equal(["Patient/a", "Patient/b", "Patient/d", "Patient/e"], await ProposedAsync(worker));
        Assert.Null((await worker.Services.GetRequiredService<Watch>().LookAsync(Cancelled)).Outbox.OldestUnsent);

        // On the fourth day there is no limit any more.
        clock.MoveTo(_days.At(18, 9));
        foreach (string patient in new[] { "f", "g", "h" })
        {
            await ReadyToStepUpAsync(worker, patient);
        }

        await worker.PassAsync(Cancelled);
        Assert.Equal(7, (await ProposedAsync(worker)).Length);
    }

    [Fact]
    public async Task A_step_down_waits_for_no_limit_and_nothing_else_of_a_patient_waits_for_a_proposal_that_is_held_back()
    {
        ShiftedClock clock = new(_days.At(15, 9));
        await using EmbeddedWorker worker = await StartAsync(clock, ("RampIn:ProposalsPerDay", "1"));
        await ReadyToStepUpAsync(worker, "a");
        await ReadyToStepUpAsync(worker, "b");
        await worker.PassAsync(Cancelled);
        Assert.Equal(["Patient/a"], await ProposedAsync(worker));

        await worker.TakeInAsync(Cancelled, _days.Order("c"), _days.CheckIn("c", 5, applied: 3, burning: 2), _days.CheckIn("c", 13, applied: 4, burning: 2));
        await worker.PassAsync(Cancelled);
        Assert.Equal(["Patient/a", "Patient/c"], await ProposedAsync(worker));

        // A fresh 2: the held step up goes, and the care advice leaves at once.
        await worker.TakeInAsync(Cancelled, _days.CheckIn("b", 14, applied: 1, burning: 2));
        await worker.PassAsync(Cancelled);
        Assert.Contains(await worker.SearchAsync("CommunicationRequest", Cancelled), c => c["subject"]!["reference"]!.GetValue<string>() == "Patient/b");
        Assert.Equal(["Patient/a", "Patient/c"], await ProposedAsync(worker));
    }

    [Fact]
    public async Task What_fell_overdue_in_shadow_is_first_the_prescribers_when_it_goes_live_and_the_pools_later()
    {
        ShiftedClock clock = new(_days.At(12, 20));
        await using EmbeddedWorker worker = await StartAsync(clock, ("Mode", "shadow"));
        foreach (string patient in new[] { "p1", "p2" })
        {
            await worker.TakeInAsync(Cancelled, _days.Order(patient), _days.CheckIn(patient, 5, applied: 3, burning: 2), _days.CheckIn(patient, 12, applied: 3, burning: 2));
        }

        await worker.TakeInAsync(Cancelled, _days.Order("p3"), _days.Swelling("p3", 12));
        clock.MoveTo(_days.At(26, 20));
        await worker.PassAsync(Cancelled);
        await SetAsync(worker, "live");
        await worker.PassAsync(Cancelled);
        Assert.Equal(["p1 PractitionerRole/role-1", "p2 PractitionerRole/role-1", "p3 Organization/clinic"], await OwnersAsync(worker));
        Assert.DoesNotContain(await worker.SearchAsync("Task", Cancelled), t => t["for"] is null); // no digest of what nobody has seen

        // What loses its grounds meanwhile goes at once.
        clock.MoveTo(_days.At(28, 20));
        await worker.TakeInAsync(Cancelled, _days.Order("p2").With(o => (o["status"], o["meta"]) =
            ("stopped", new JsonObject { ["versionId"] = "2", ["lastUpdated"] = $"{_days.At(28, 19):yyyy-MM-ddTHH:mm:ssZ}" })));
        await worker.PassAsync(Cancelled);
        Assert.Equal(["p1 PractitionerRole/role-1", "p3 Organization/clinic"], await OwnersAsync(worker));

        clock.MoveTo(_days.At(29, 21));
        await worker.PassAsync(Cancelled);
        Assert.Equal(["p1 Organization/clinic", "p3 Organization/clinic"], await OwnersAsync(worker));
    }

    [Fact]
    public async Task Whoever_looks_is_told_that_nothing_was_sent_and_what_would_have_been()
    {
        await using EmbeddedWorker worker = await StartAsync(new ShiftedClock(_days.At(8, 20)), ("Mode", "shadow"));
        await worker.TakeInAsync(Cancelled, _days.Order("asked"));
        await worker.PassAsync(Cancelled);

        (string list, string show, string page) = await LookAsync();
        Assert.StartsWith("Mode shadow: nothing is sent", list, StringComparison.Ordinal);
        Assert.Contains("in shadow: would have been sent", show, StringComparison.Ordinal);
        Assert.Contains("nothing is sent; what is unsent is what would have been", page, StringComparison.Ordinal);
        Assert.Contains("<dt>Not sent, in shadow</dt><dd>1", page, StringComparison.Ordinal);

        await SetAsync(worker, "paused");
        (list, show, page) = await LookAsync();
        Assert.StartsWith("Mode paused: only safety referrals and withdrawals are sent", list, StringComparison.Ordinal);
        Assert.Contains("waits to be sent: the service is paused", show, StringComparison.Ordinal);
        Assert.Contains("<dt>Unsent, while paused</dt><dd>1", page, StringComparison.Ordinal);

        await SetAsync(worker, "live");
        await worker.PassAsync(Cancelled);
        (list, show, page) = await LookAsync();
        Assert.DoesNotContain("Mode ", list, StringComparison.Ordinal);
        Assert.DoesNotContain("shadow", show, StringComparison.Ordinal);
        Assert.Contains("what is decided is sent", page, StringComparison.Ordinal);

        async Task<(string, string, string)> LookAsync() => (
            (await worker.RunAsync(Cancelled, "course", "list")).Output, (await worker.RunAsync(Cancelled, "course", "show", "asked")).Output,
            await worker.Http.GetStringAsync(new Uri("status", UriKind.Relative), Cancelled));
    }

    [Fact]
    public async Task Each_change_is_recorded_with_who_when_and_why_and_the_settings_count_at_the_first_start_only()
    {
        using TemporaryFolder folder = new();
        await using (EmbeddedWorker first = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(0)), Cancelled, folder.Path, settings: ("Mode", "shadow")))
        {
            CommandOutput set = await first.RunAsync(Cancelled, "mode", "set", "paused", "--by", "Dr Vale", "--reason", "server moves");
            Assert.Equal((0, "The mode is paused."), (set.ExitCode, set.Output.Trim()));
        }

        await using EmbeddedWorker second = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(1)), Cancelled, folder.Path, settings: ("Mode", "live"));
        CommandOutput shown = await second.RunAsync(Cancelled, "mode", "show");
        CommandOutput json = await second.RunAsync(Cancelled, "mode", "show", "--json");
        CommandOutput wrong = await second.RunAsync(Cancelled, "mode", "set", "dead");

        Assert.StartsWith("The mode is paused.", shown.Output, StringComparison.Ordinal);
        Assert.Contains("Dr Vale", shown.Output, StringComparison.Ordinal);
        Assert.Equal(
            [("shadow", "settings"), ("paused", "Dr Vale")],
            JsonNode.Parse(json.Output)!.AsArray().Select(c => (c!["mode"]!.GetValue<string>(), c["by"]!.GetValue<string>())));
        Assert.Equal(2, wrong.ExitCode);
    }

    [Fact]
    public async Task What_is_not_urgent_is_never_due_on_a_closed_day_and_what_is_urgent_does_not_ask()
    {
        DateTimeOffset open = await DueAsync(closed: "", urgent: false);
        DateTimeOffset stat = await DueAsync(closed: "", urgent: true);

        Assert.Equal(open.AddDays(1), await DueAsync(closed: $"{open.DayOfWeek}", urgent: false));
        Assert.Equal(open.AddDays(2), await DueAsync(closed: $"{open.DayOfWeek},{open.AddDays(1).DayOfWeek}", urgent: false));
        Assert.Equal(stat, await DueAsync(closed: $"{stat.DayOfWeek}", urgent: true));
    }

    [Fact]
    public async Task A_reminder_of_a_routine_task_comes_on_an_open_day()
    {
        ShiftedClock clock = new(_days.At(12, 20));
        DayOfWeek closed = _days.At(15).DayOfWeek;
        await using EmbeddedWorker worker = await StartAsync(clock, ("Clinic:ClosedWeekdays", $"{closed}"));
        await worker.TakeInAsync(Cancelled, _days.Order("p1"), _days.CheckIn("p1", 5, applied: 3, burning: 2), _days.CheckIn("p1", 12, applied: 3, burning: 2));
        await worker.PassAsync(Cancelled);
        int before = await CountAsync(worker, "CommunicationRequest");

        clock.MoveTo(_days.At(15, 20));
        await worker.PassAsync(Cancelled);
        Assert.Equal(before, await CountAsync(worker, "CommunicationRequest"));
        clock.MoveTo(_days.At(16, 20.5));
        await worker.PassAsync(Cancelled);
        Assert.Equal(before + 1, await CountAsync(worker, "CommunicationRequest"));
    }

    private static Task<EmbeddedWorker> StartAsync(TimeProvider time, params (string, string)[] settings) => EmbeddedWorker.StartAsync(time, Cancelled, settings: settings);

    private static async Task SetAsync(EmbeddedWorker worker, string mode)
    {
        CommandOutput set = await worker.RunAsync(Cancelled, "mode", "set", mode);
        Assert.True(set.ExitCode == 0, set.Errors);
    }

    private async Task ReadyToStepUpAsync(EmbeddedWorker worker, string patient)
    {
        await worker.PutAsync(FhirJson.Patient(patient), Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order(patient), _days.CheckIn(patient, 5, applied: 3), _days.CheckIn(patient, 13, applied: 4));
    }

    private async Task<DateTimeOffset> DueAsync(string closed, bool urgent)
    {
        await using EmbeddedWorker worker = await StartAsync(new ShiftedClock(_days.At(15, 9)), ("Clinic:ClosedWeekdays", closed));
        await ReadyToStepUpAsync(worker, "p1");
        if (urgent)
        {
            await worker.TakeInAsync(Cancelled, _days.Swelling("p1", 14));
        }

        await worker.PassAsync(Cancelled);
        JsonObject task = Assert.Single(await worker.SearchAsync("Task", Cancelled), t => t["status"]!.GetValue<string>() == "requested");
        return DateTimeOffset.Parse(task["restriction"]!["period"]!["end"]!.GetValue<string>(), null);
    }

    /// <summary>Who owns the open proposals and referrals.</summary>
    private static async Task<string[]> OwnersAsync(EmbeddedWorker worker) =>
    [
        .. (await worker.SearchAsync("Task", Cancelled))
            .Where(t => t["status"]!.GetValue<string>() == "requested" && t["focus"] is not null && (ClinicianAnswer.IsProposal(t) || t["priority"]!.GetValue<string>() == "stat"))
            .Select(t => $"{t["for"]!["reference"]!.GetValue<string>()["Patient/".Length..]} {t["owner"]!["reference"]}").Order(StringComparer.Ordinal),
    ];

    private static async Task<string[]> ProposedAsync(EmbeddedWorker worker) =>
        [.. (await worker.SearchAsync("Task", Cancelled)).Where(t => t["code"]!["coding"]![0]!["code"]!.GetValue<string>() == "approve").Select(t => t["for"]!["reference"]!.GetValue<string>()).Order(StringComparer.Ordinal)];

    private static IEnumerable<string> Subjects(IEnumerable<JsonObject> requests) =>
        requests.Select(c => c["subject"]!["reference"]!.GetValue<string>()).Distinct(StringComparer.Ordinal).Order(StringComparer.Ordinal);

    private static string Id(JsonObject resource) => resource["id"]!.GetValue<string>();

    private static async Task<int> CountAsync(EmbeddedWorker worker, string type) => (await worker.SearchAsync(type, Cancelled)).Count;

    private static async Task<int> DecisionsAsync(EmbeddedWorker worker)
    {
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        return await database.Decisions.CountAsync(Cancelled);
    }
}
