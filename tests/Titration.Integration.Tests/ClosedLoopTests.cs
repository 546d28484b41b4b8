using System.Globalization;
using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>A proposal is seen, answered, and gone when it is no longer true; on a real broker, database and FHIR endpoint.</summary>
public sealed class ClosedLoopTests
{
    private const string Patient = "loop";

    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task Approved_and_prescribed_the_message_becomes_active_and_the_step_is_in_force()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        ShiftedClock clock = new(_days.At(14, 1));
        await using RunningWorker worker = await ProposedAsync(parts, clock);

        clock.MoveTo(_days.At(15, 10));
        await CompleteAsync(parts, "approved", _days.At(15, 9));
        await parts.Broker.PublishAsync(Cancelled, Nightly(_days.At(15, 9.1)), StoppedOrder(_days.At(15, 9.2)));

        await Eventually.HoldsAsync("the message is active", async () => (await StepChangeAsync(parts)).Status == "active", Cancelled);
        Assert.Equal("completed", (await ApprovalTaskAsync(parts))["status"]!.GetValue<string>());
        Assert.Equal(["Maintain"], await WorkerState.OutcomesAsync(parts, Cancelled));
    }

    [Fact]
    public async Task Declined_the_draft_is_revoked_and_not_made_again_for_14_days()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        ShiftedClock clock = new(_days.At(14, 1));
        await using RunningWorker worker = await ProposedAsync(parts, clock);

        clock.MoveTo(_days.At(15, 9));
        await RejectAsync(parts, _days.At(15, 9));
        await Eventually.HoldsAsync("the draft is revoked", async () => (await StepChangeAsync(parts)).Status == "revoked", Cancelled);

        // Good check-ins each week: nothing but the clinician's word stands in the way, until day 29.
        foreach (int day in (int[])[20, 27])
        {
            clock.MoveTo(_days.At(day, 20));
            await parts.Broker.PublishAsync(Cancelled, _days.CheckIn(Patient, day, applied: 3));
            await Eventually.HoldsAsync("it is taken in", async () => (await WorkerState.FactsAsync(parts, Cancelled)).Contains($"Observation/check-{Patient}-{day}", StringComparer.Ordinal), Cancelled);
            await QuietAsync(parts, clock, worker);
            Assert.Single(await StepChangesAsync(parts));
        }

        clock.MoveTo(_days.At(29, 1));
        await QuietAsync(parts, clock, worker);
        Assert.Equal(["revoked", "draft"], (await StepChangesAsync(parts)).Select(c => c.Status));
    }

    [Fact]
    public async Task A_severe_reaction_withdraws_the_proposal_and_an_urgent_referral_stands_instead()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        ShiftedClock clock = new(_days.At(14, 1));
        await using RunningWorker worker = await ProposedAsync(parts, clock);

        clock.MoveTo(_days.At(14, 20));
        await parts.Broker.PublishAsync(Cancelled, _days.CheckIn(Patient, 14, applied: 1, burning: 3));

        await Eventually.HoldsAsync("the draft is revoked", async () => (await StepChangeAsync(parts)).Status == "revoked", Cancelled);
        Assert.Equal("cancelled", (await ApprovalTaskAsync(parts))["status"]!.GetValue<string>());
        await Eventually.HoldsAsync(
            "an urgent referral stands", async () => (await parts.Peer.CommunicationsAsync(Cancelled)).Any(c => c is { Kind: "alert", Priority: "urgent", Status: "active" }), Cancelled);
    }

    [Fact]
    public async Task A_new_order_without_an_answer_closes_the_task_by_itself()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        ShiftedClock clock = new(_days.At(14, 1));
        await using RunningWorker worker = await ProposedAsync(parts, clock);

        clock.MoveTo(_days.At(15, 9));
        await parts.Broker.PublishAsync(Cancelled, Nightly(_days.At(15, 8)), StoppedOrder(_days.At(15, 8.1)));

        await Eventually.HoldsAsync("the draft is revoked", async () => (await StepChangeAsync(parts)).Status == "revoked", Cancelled);
        Assert.Equal("cancelled", (await ApprovalTaskAsync(parts))["status"]!.GetValue<string>());
    }

    [Fact]
    public async Task Approved_while_a_severe_reaction_was_on_its_way_no_step_up_reaches_the_patient()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        ShiftedClock clock = new(_days.At(14, 1));
        await using RunningWorker worker = await ProposedAsync(parts, clock);

        clock.MoveTo(_days.At(15, 9));
        await CompleteAsync(parts, "approved", _days.At(15, 9), publish: false);
        await parts.Broker.PublishAsync(Cancelled, _days.CheckIn(Patient, 14, applied: 1, burning: 3));
        await Eventually.HoldsAsync("it is withheld", async () => await WorkerState.OutcomesAsync(parts, Cancelled) is ["Withhold"], Cancelled);
        await parts.Broker.PublishAsync(Cancelled, await ApprovalTaskAsync(parts));
        await Eventually.HoldsAsync("the answer is taken in", async () => (await WorkerState.FactsAsync(parts, Cancelled)).Any(f => f.StartsWith("Task/", StringComparison.Ordinal)), Cancelled);
        await QuietAsync(parts, clock, worker);

        Assert.NotEqual("active", (await StepChangeAsync(parts)).Status);
    }

    [Fact]
    public async Task Everything_sent_again_after_the_clinician_has_answered_doubles_nothing_and_overwrites_nothing()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        ShiftedClock clock = new(_days.At(14, 1));
        IReadOnlyList<string> before;
        await using (RunningWorker worker = await ProposedAsync(parts, clock))
        {
            await CompleteAsync(parts, "approved", _days.At(14, 2), publish: false);
            before = await HeldAsync(parts);
        }

        // As if the process had been killed after the server had taken everything, and before the database knew.
        await using (TitrationDbContext database = parts.Open())
        {
            await database.SentResources.ExecuteDeleteAsync(Cancelled);
            await database.Outbox.ExecuteUpdateAsync(set => set.SetProperty(o => o.State, OutboxState.Pending), Cancelled);
        }

        await using RunningWorker again = await parts.StartAsync(clock, Cancelled);
        await QuietAsync(parts, clock, again);

        Assert.Equal(before, await HeldAsync(parts));
        Assert.Equal("completed", (await ApprovalTaskAsync(parts))["status"]!.GetValue<string>());
    }

    [Fact]
    public async Task Who_puts_the_task_on_hold_decides_nothing_and_is_not_reminded()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        ShiftedClock clock = new(_days.At(14, 1));
        await using RunningWorker worker = await ProposedAsync(parts, clock);

        clock.MoveTo(_days.At(15, 9));
        JsonObject task = await ApprovalTaskAsync(parts);
        task["status"] = "on-hold";
        task["lastModified"] = Text(_days.At(15, 9));
        await AnswerAsync(parts, task, publish: true);
        await Eventually.HoldsAsync("the answer is taken in", async () => (await WorkerState.FactsAsync(parts, Cancelled)).Any(f => f.StartsWith("Task/", StringComparison.Ordinal)), Cancelled);

        Assert.Equal(["StepUp"], await WorkerState.OutcomesAsync(parts, Cancelled));
        Assert.Equal("draft", (await StepChangeAsync(parts)).Status);
    }

    /// <summary>Every resource of ours with its version; a Provenance, which nobody edits, is written again under the same id.</summary>
    private static async Task<IReadOnlyList<string>> HeldAsync(Surroundings parts)
    {
        List<string> held = [];
        foreach (string type in (string[])["CommunicationRequest", "Task", "Provenance"])
        {
            held.AddRange((await parts.Peer.SearchAsync(type, Cancelled))
                .Select(r => $"{type}/{r["id"]} {(type == "Provenance" ? "" : r["meta"]!["versionId"])} {r["status"]}"));
        }

        return [.. held.Order(StringComparer.Ordinal)];
    }

    private async Task<RunningWorker> ProposedAsync(Surroundings parts, ShiftedClock clock)
    {
        RunningWorker worker = await parts.StartAsync(clock, Cancelled);
        await parts.KnowPatientsAsync(Cancelled, Patient);
        await parts.Broker.PublishAsync(Cancelled, _days.Order(Patient), _days.CheckIn(Patient, 6, applied: 3), _days.CheckIn(Patient, 13, applied: 4));
        await Eventually.HoldsAsync("a step up is proposed", async () => (await parts.Peer.SearchAsync("Task", Cancelled)).Any(ClinicianAnswer.IsProposal), Cancelled);
        await QuietAsync(parts, clock, worker);
        return worker;
    }

    private static JsonObject Nightly(DateTimeOffset authored) => FhirJson.MedicationRequest(
        id: $"rx-{Patient}-2", patient: Patient, authoredOn: Text(authored), period: 1, prior: $"rx-{Patient}");

    private JsonObject StoppedOrder(DateTimeOffset at) => FhirJson.MedicationRequest(
        id: $"rx-{Patient}", patient: Patient, version: "2", status: "stopped", authoredOn: Text(_days.At(0, 10)), lastUpdated: Text(at));

    private static async Task CompleteAsync(Surroundings parts, string decision, DateTimeOffset at, bool publish = true) =>
        await AnswerAsync(parts, ClinicianAnswer.Complete(await ApprovalTaskAsync(parts), decision, at), publish);

    private static async Task RejectAsync(Surroundings parts, DateTimeOffset at) =>
        await AnswerAsync(parts, ClinicianAnswer.Reject(await ApprovalTaskAsync(parts), at), publish: true);

    private static async Task AnswerAsync(Surroundings parts, JsonObject task, bool publish)
    {
        await parts.Peer.PutAsync(task, Cancelled);
        if (publish)
        {
            await parts.Broker.PublishAsync(Cancelled, await ApprovalTaskAsync(parts));
        }
    }

    private static async Task QuietAsync(Surroundings parts, ShiftedClock clock, RunningWorker worker)
    {
        await worker.SweepAsync(Cancelled);
        await Eventually.HoldsAsync("nothing due and nothing unsent", () => WorkerState.IsQuietAsync(parts, clock.GetUtcNow(), Cancelled), Cancelled);
    }

    private static async Task<JsonObject> ApprovalTaskAsync(Surroundings parts) =>
        (await parts.Peer.SearchAsync("Task", Cancelled)).Where(ClinicianAnswer.IsProposal).OrderBy(t => t["authoredOn"]!.GetValue<string>(), StringComparer.Ordinal).First();

    private static async Task<SentCommunication> StepChangeAsync(Surroundings parts) => (await StepChangesAsync(parts))[0];

    private static async Task<IReadOnlyList<SentCommunication>> StepChangesAsync(Surroundings parts) =>
        [.. (await parts.Peer.SearchAsync("CommunicationRequest", Cancelled)).OrderBy(r => r["authoredOn"]!.GetValue<string>(), StringComparer.Ordinal)
            .Select(SentCommunication.Of).Where(c => c is { Kind: "instruction", Rule: "order" })];

    private static string Text(DateTimeOffset instant) => instant.ToString("yyyy-MM-ddTHH:mm:ssZ", CultureInfo.InvariantCulture);
}
