using System.Text.Json.Nodes;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>What happens to a message or a task after it was decided: held back, reminded of, handed over, replaced, cancelled by somebody.</summary>
public sealed class FollowUpTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task A_question_to_the_patient_waits_for_the_morning_and_an_emergency_for_nothing()
    {
        ShiftedClock clock = new(_days.At(7, 22));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled, quietHours: true);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"));
        await worker.PassAsync(Cancelled);
        Assert.Empty(await ToPatientAsync(worker));

        clock.MoveTo(_days.At(7, 23));
        await worker.TakeInAsync(Cancelled, _days.Swelling("p1", 7));
        await worker.PassAsync(Cancelled);
        Assert.Equal("stat", Assert.Single(await ToPatientAsync(worker))["priority"]!.GetValue<string>());
        Assert.Contains(await worker.SearchAsync("Task", Cancelled), t => t["priority"]!.GetValue<string>() == "stat");
    }

    [Fact]
    public async Task What_was_held_back_leaves_in_the_morning()
    {
        ShiftedClock clock = new(_days.At(7, 22));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled, quietHours: true);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"));
        await worker.PassAsync(Cancelled);

        clock.MoveTo(_days.At(8, 7.9));
        await worker.PassAsync(Cancelled);
        Assert.Empty(await ToPatientAsync(worker));
        clock.MoveTo(_days.At(8, 8));
        await worker.PassAsync(Cancelled);
        Assert.Single(await ToPatientAsync(worker));
    }

    [Fact]
    public async Task What_is_no_longer_true_in_the_morning_is_never_sent()
    {
        ShiftedClock clock = new(_days.At(7, 22));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled, quietHours: true);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"));
        await worker.PassAsync(Cancelled);

        clock.MoveTo(_days.At(7, 23));
        await worker.TakeInAsync(Cancelled, _days.CheckIn("p1", 7, applied: 3));
        clock.MoveTo(_days.At(8, 9));
        await worker.PassAsync(Cancelled);
        Assert.Empty(await worker.SearchAsync("CommunicationRequest", Cancelled));
    }

    [Fact]
    public async Task Two_messages_for_one_day_leave_on_two_days()
    {
        // The tube of 2.5 g lasts 20 nights on alternate nights: the reminder is due on day 10, the second request too.
        ShiftedClock clock = new(_days.At(10, 9));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled, quietHours: true);
        await worker.TakeInAsync(Cancelled, _days.Order("p1").With(o => o["dispenseRequest"]!["quantity"]!["value"] = 2.5));
        await worker.PassAsync(Cancelled);
        Assert.Single(await ToPatientAsync(worker));

        clock.MoveTo(_days.At(10, 20));
        await worker.PassAsync(Cancelled);
        Assert.Single(await ToPatientAsync(worker));
        clock.MoveTo(_days.At(11, 8));
        await worker.PassAsync(Cancelled);
        Assert.Equal(2, (await ToPatientAsync(worker)).Count);
    }

    [Fact]
    public async Task A_proposal_nobody_answers_is_reminded_of_then_the_pools_then_in_the_weekly_digest_until_it_is_answered()
    {
        ShiftedClock clock = new(_days.At(12, 20));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"), _days.CheckIn("p1", 5, applied: 3, burning: 2), _days.CheckIn("p1", 12, applied: 3, burning: 2));
        await worker.PassAsync(Cancelled);
        JsonObject task = Assert.Single(await worker.SearchAsync("Task", Cancelled));
        Assert.Equal("PractitionerRole/role-1", task["owner"]!["reference"]!.GetValue<string>());

        clock.MoveTo(_days.At(15, 20));
        await worker.PassAsync(Cancelled);
        JsonObject reminder = Assert.Single(await worker.SearchAsync("CommunicationRequest", Cancelled), c => About(c).Contains($"Task/{Id(task)}", StringComparer.Ordinal));
        Assert.Equal("PractitionerRole/role-1", reminder["recipient"]![0]!["reference"]!.GetValue<string>());

        clock.MoveTo(_days.At(18, 20));
        await worker.PassAsync(Cancelled);
        Assert.Equal(("Organization/clinic", "overdue"), await OwnerAsync(worker, task));
        Assert.Empty(await DigestsAsync(worker));

        clock.MoveTo(_days.At(25, 20));
        await worker.PassAsync(Cancelled);
        clock.MoveTo(_days.At(31, 20));
        await worker.PassAsync(Cancelled);
        JsonObject digest = Assert.Single(await DigestsAsync(worker));
        Assert.Equal(("requested", "Organization/clinic", null), (Status(digest), digest["owner"]!["reference"]!.GetValue<string>(), digest["for"]));

        clock.MoveTo(_days.At(32, 20));
        await worker.PassAsync(Cancelled);
        Assert.Equal(["cancelled", "requested"], (await DigestsAsync(worker)).Select(Status).Order(StringComparer.Ordinal));

        // Everything that waits is answered: the silent patient's task too.
        foreach (JsonObject open in (await worker.SearchAsync("Task", Cancelled)).Where(t => Status(t) == "requested" && t["for"] is not null))
        {
            await AnswerAsync(worker, open, "rejected", 33);
        }

        clock.MoveTo(_days.At(33, 20));
        await worker.PassAsync(Cancelled);
        Assert.All(await DigestsAsync(worker), d => Assert.Equal("cancelled", Status(d)));
    }

    [Fact]
    public async Task What_takes_the_place_of_a_proposal_says_so()
    {
        ShiftedClock clock = new(_days.At(14, 9));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        await worker.PutAsync(FhirJson.Patient("p1"), Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"), _days.CheckIn("p1", 5, applied: 3), _days.CheckIn("p1", 13, applied: 4));
        await worker.PassAsync(Cancelled);
        JsonObject proposal = Assert.Single(await worker.SearchAsync("CommunicationRequest", Cancelled), c => Status(c) == "draft");

        clock.MoveTo(_days.At(14, 20));
        await worker.TakeInAsync(Cancelled, _days.CheckIn("p1", 14, applied: 1, burning: 3));
        await worker.PassAsync(Cancelled);

        IReadOnlyList<JsonObject> after = await worker.SearchAsync("CommunicationRequest", Cancelled);
        JsonObject referral = Assert.Single(after, c => c["replaces"] is not null);
        Assert.Equal(($"CommunicationRequest/{Id(proposal)}", "urgent"), (referral["replaces"]![0]!["reference"]!.GetValue<string>(), referral["priority"]!.GetValue<string>()));
        JsonObject revoked = Assert.Single(after, c => Id(c) == Id(proposal));
        Assert.Equal(("revoked", "superseded"), (Status(revoked), revoked["statusReason"]!["coding"]![0]!["code"]!.GetValue<string>()));
    }

    [Fact]
    public async Task A_draft_whose_approval_was_heard_of_late_goes_when_another_step_is_proposed_instead()
    {
        ShiftedClock clock = new(_days.At(14, 9));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        await worker.PutAsync(FhirJson.Patient("p1"), Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"), _days.CheckIn("p1", 5, applied: 3), _days.CheckIn("p1", 13, applied: 4));
        await worker.PassAsync(Cancelled);
        JsonObject task = Assert.Single(await worker.SearchAsync("Task", Cancelled));

        // Approved on the server, but the message of it is late; meanwhile the evidence gets too old.
        JsonObject approved = Approved(task, 15);
        await worker.PutAsync(approved, Cancelled);
        clock.MoveTo(_days.At(22, 9));
        await worker.PassAsync(Cancelled);
        await worker.TakeInAsync(Cancelled, approved.With(t => t["meta"] = new JsonObject { ["versionId"] = "9" }));
        await worker.PassAsync(Cancelled);
        Assert.Single(await worker.SearchAsync("CommunicationRequest", Cancelled), c => Status(c) == "draft"); // its order may be on its way

        clock.MoveTo(_days.At(22, 20));
        await worker.TakeInAsync(Cancelled, _days.CheckIn("p1", 22, applied: 4));
        await worker.PassAsync(Cancelled);

        IReadOnlyList<JsonObject> proposals = [.. (await worker.SearchAsync("CommunicationRequest", Cancelled)).Where(c => c["reasonCode"]![0]!["text"]!.GetValue<string>() == "order")];
        Assert.Equal(["draft", "revoked"], proposals.Select(Status).Order(StringComparer.Ordinal));
    }

    [Fact]
    public async Task A_message_of_a_step_taken_weeks_ago_is_taken_back_when_treatment_must_stop()
    {
        ShiftedClock clock = new(_days.At(14, 9));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        await worker.PutAsync(FhirJson.Patient("p1"), Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"), _days.CheckIn("p1", 5, applied: 3), _days.CheckIn("p1", 13, applied: 4));
        await worker.PassAsync(Cancelled);
        JsonObject approved = Approved(Assert.Single(await worker.SearchAsync("Task", Cancelled)), 14);
        await worker.PutAsync(approved, Cancelled);
        clock.MoveTo(_days.At(14, 12));
        await worker.TakeInAsync(
            Cancelled, approved.With(t => t["meta"] = new JsonObject { ["versionId"] = "9" }),
            FhirJson.MedicationRequest(id: "rx-2", patient: "p1", authoredOn: $"{_days.At(14, 11):yyyy-MM-ddTHH:mm:ssZ}", period: 1, prior: "rx-p1"));
        await worker.PassAsync(Cancelled);
        JsonObject message = Assert.Single(await ToPatientAsync(worker));

        clock.MoveTo(_days.At(40, 20));
        await worker.TakeInAsync(Cancelled, _days.Swelling("p1", 40));
        await worker.PassAsync(Cancelled);

        Assert.Equal("revoked", Status(Assert.Single(await worker.SearchAsync("CommunicationRequest", Cancelled), c => Id(c) == Id(message))));
    }

    [Theory]
    [InlineData("revoked")]
    [InlineData("entered-in-error")]
    [InlineData("deleted")]
    public async Task A_request_that_somebody_at_the_clinic_cancelled_is_not_sent_again(string how)
    {
        ShiftedClock clock = new(_days.At(7, 9));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"));
        await worker.PassAsync(Cancelled);
        JsonObject request = Assert.Single(await ToPatientAsync(worker));

        JsonObject cancelled = how == "deleted"
            ? FhirJson.Deletion("CommunicationRequest", Id(request), at: $"{_days.At(7, 10):yyyy-MM-ddTHH:mm:ssZ}")
            : request.DeepClone().AsObject().With(r => (r["status"], r["meta"]) = (how, new JsonObject { ["versionId"] = "9" }));
        await worker.TakeInAsync(Cancelled, cancelled);
        clock.MoveTo(_days.At(15, 9));
        await worker.PassAsync(Cancelled);

        Assert.Single(await ToPatientAsync(worker));
        Assert.Single(await worker.SearchAsync("Task", Cancelled)); // the clinic's own, after a week of silence
    }

    [Fact]
    public async Task The_echo_of_our_own_withdrawal_and_a_message_that_was_sent_cancel_nothing()
    {
        ShiftedClock clock = new(_days.At(7, 9));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"));
        await worker.PassAsync(Cancelled);
        JsonObject request = Assert.Single(await ToPatientAsync(worker));
        await worker.TakeInAsync(Cancelled, request.DeepClone().AsObject().With(r => (r["status"], r["meta"]) = ("completed", new JsonObject { ["versionId"] = "9" })));

        clock.MoveTo(_days.At(10, 9));
        await worker.PassAsync(Cancelled);
        Assert.Equal(2, (await ToPatientAsync(worker)).Count);
        JsonObject first = Assert.Single(await worker.SearchAsync("CommunicationRequest", Cancelled), c => Id(c) == Id(request));
        Assert.Equal("revoked", Status(first));
        await worker.TakeInAsync(Cancelled, first);
        clock.MoveTo(_days.At(14, 9));
        await worker.PassAsync(Cancelled);
        Assert.Equal(2, (await ToPatientAsync(worker)).Count);
    }

    [Fact]
    public async Task The_patient_is_written_to_in_their_language_and_the_prescriber_sees_the_prescription_as_written()
    {
        ShiftedClock clock = new(_days.At(14, 9));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        await worker.PutAsync(FhirJson.Patient("p1").With(p => p["communication"] = new JsonArray(new JsonObject
        {
            ["language"] = FhirJson.Concept("urn:ietf:bcp:47", "de"),
            ["preferred"] = true,
        })), Cancelled);
        JsonObject order = _days.Order("p1").With(o => o.Dosage()["text"] = "as we agreed on the telephone");
        await worker.PutAsync(order, Cancelled);
        await worker.TakeInAsync(Cancelled, order, _days.CheckIn("p1", 5, applied: 3), _days.CheckIn("p1", 13, applied: 4));
        await worker.PassAsync(Cancelled);

        Assert.Equal("de", Assert.Single(await worker.SearchAsync("CommunicationRequest", Cancelled), c => Status(c) == "draft")["language"]!.GetValue<string>());
        JsonObject task = Assert.Single(await worker.SearchAsync("Task", Cancelled));
        JsonNode current = Assert.Single(task["input"]!.AsArray(), i => i!["type"]!["coding"]![0]!["code"]!.GetValue<string>() == "current-dosage")!["valueDosage"]!;
        Assert.Equal("as we agreed on the telephone", current["text"]!.GetValue<string>());
    }

    private JsonObject Approved(JsonObject task, int day) => ClinicianAnswer.Complete(task.DeepClone().AsObject(), "approved", _days.At(day, 10));

    private async Task AnswerAsync(EmbeddedWorker worker, JsonObject task, string status, int day)
    {
        JsonObject answered = task.DeepClone().AsObject().With(t => (t["status"], t["lastModified"]) = (status, $"{_days.At(day, 9):yyyy-MM-ddTHH:mm:ssZ}"));
        await worker.PutAsync(answered, Cancelled);
        await worker.TakeInAsync(Cancelled, answered.With(t => t["meta"] = new JsonObject { ["versionId"] = "9" }));
    }

    private static async Task<IReadOnlyList<JsonObject>> ToPatientAsync(EmbeddedWorker worker) =>
    [
        .. (await worker.SearchAsync("CommunicationRequest", Cancelled))
            .Where(c => c["recipient"]![0]!["reference"]!.GetValue<string>() == "Patient/p1" && Status(c) != "draft"),
    ];

    private static async Task<IReadOnlyList<JsonObject>> DigestsAsync(EmbeddedWorker worker) =>
        [.. (await worker.SearchAsync("Task", Cancelled)).Where(t => t["code"]!["coding"]![0]!["code"]!.GetValue<string>() == "overdue-digest")];

    private static async Task<(string Owner, string BusinessStatus)> OwnerAsync(EmbeddedWorker worker, JsonObject task)
    {
        JsonObject now = Assert.Single(await worker.SearchAsync("Task", Cancelled), t => Id(t) == Id(task));
        return (now["owner"]!["reference"]!.GetValue<string>(), now["businessStatus"]!["coding"]![0]!["code"]!.GetValue<string>());
    }

    private static IEnumerable<string> About(JsonObject communication) =>
        communication["about"]?.AsArray().Select(a => a!["reference"]?.GetValue<string>() ?? "") ?? [];

    private static string Id(JsonObject resource) => resource["id"]!.GetValue<string>();

    private static string Status(JsonObject resource) => resource["status"]!.GetValue<string>();
}
