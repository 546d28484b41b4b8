using System.Text.Json.Nodes;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>Weeks pass on a clock of the test's own; broker, database and FHIR endpoint are real.</summary>
public sealed class SimulatedTimeTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task A_good_check_in_on_day_2_never_leads_to_a_step_up()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        ShiftedClock clock = new(_days.At(2, 20));
        await using RunningWorker worker = await parts.StartAsync(clock, Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "early");
        await parts.Broker.PublishAsync(Cancelled, _days.Order("early"), _days.CheckIn("early", 2, applied: 1));
        await EventuallyOutcomeAsync(parts, "Maintain");

        foreach (int day in Enumerable.Range(3, 27))
        {
            await PassToAsync(_days.At(day, 1), parts, clock, worker);
        }

        IReadOnlyList<SentCommunication> sent = await parts.Peer.CommunicationsAsync(Cancelled);
        Assert.NotEmpty(sent);
        Assert.All(sent, c => Assert.Equal("silence", c.Rule));
        Assert.DoesNotContain(await parts.Peer.SearchAsync("Task", Cancelled), IsApproval);
    }

    [Fact]
    public async Task Tolerated_check_ins_and_enough_nights_lead_to_a_step_up_on_day_14_and_not_before()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        ShiftedClock clock = new(_days.At(13, 20));
        await using RunningWorker worker = await parts.StartAsync(clock, Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "steady");
        await parts.Broker.PublishAsync(
            Cancelled, _days.Order("steady"), _days.CheckIn("steady", 5, applied: 3), _days.CheckIn("steady", 13, applied: 4));
        await EventuallyOutcomeAsync(parts, "Maintain");
        Assert.DoesNotContain(await parts.Peer.SearchAsync("Task", Cancelled), IsApproval);

        await PassToAsync(_days.At(14), parts, clock, worker);

        IReadOnlyList<SentCommunication> sent = await parts.Peer.CommunicationsAsync(Cancelled);
        SentCommunication draft = Assert.Single(sent, c => c.Status == "draft");
        Assert.Equal(("steady", "instruction", "Patient/steady"), (draft.Patient, draft.Kind, draft.Recipient));
        JsonObject task = Assert.Single(await parts.Peer.SearchAsync("Task", Cancelled), IsApproval);
        Assert.Equal($"CommunicationRequest/{draft.Id}", task["focus"]!["reference"]!.GetValue<string>().Split("/_history")[0]);
        Assert.Equal("PractitionerRole/role-1", task["owner"]!["reference"]!.GetValue<string>());
        JsonNode dosage = Assert.Single(task["input"]!.AsArray(), i => i!["type"]!["coding"]![0]!["code"]!.GetValue<string>() == "proposed-dosage")!["valueDosage"]!;
        JsonNode repeat = dosage["timing"]!["repeat"]!;
        Assert.Equal((1, 1m, "d"), (repeat["frequency"]!.GetValue<int>(), repeat["period"]!.GetValue<decimal>(), repeat["periodUnit"]!.GetValue<string>()));
        Assert.Equal(0.25m, dosage["doseAndRate"]![0]!["doseQuantity"]!["value"]!.GetValue<decimal>());
    }

    [Fact]
    public async Task Silence_since_day_3_is_asked_about_and_never_stepped_up()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        ShiftedClock clock = new(_days.At(3, 20));
        await using RunningWorker worker = await parts.StartAsync(clock, Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "silent");
        await parts.Broker.PublishAsync(Cancelled, _days.Order("silent"), _days.CheckIn("silent", 3, applied: 2));
        await EventuallyOutcomeAsync(parts, "Maintain");

        await PassToAsync(_days.At(10, 1), parts, clock, worker);
        IReadOnlyList<SentCommunication> asked = await parts.Peer.CommunicationsAsync(Cancelled);
        await PassToAsync(_days.At(13, 1), parts, clock, worker);
        IReadOnlyList<SentCommunication> again = await parts.Peer.CommunicationsAsync(Cancelled);
        await PassToAsync(_days.At(17, 1), parts, clock, worker);
        IReadOnlyList<SentCommunication> overdue = await parts.Peer.CommunicationsAsync(Cancelled);

        Assert.Equal([("reminder", "active", "Patient/silent")], asked.Select(c => (c.Kind, c.Status, c.Recipient)));
        Assert.Equal(2, again.Count(c => c.Kind == "reminder"));
        Assert.Single(overdue, c => c.Kind == "notification" && c.Recipient == "Organization/clinic");
        Assert.DoesNotContain(overdue, c => c.Kind == "instruction");
    }

    private static bool IsApproval(JsonObject task) => task["code"]!["coding"]![0]!["code"]!.GetValue<string>() == "approve";

    private static Task EventuallyOutcomeAsync(Surroundings parts, string outcome) => Eventually.HoldsAsync(
        $"the outcome {outcome}", async () => await WorkerState.OutcomesAsync(parts, Cancelled) is [var only] && only == outcome, Cancelled);

    /// <summary>Moves the clock on, looks at what has fallen due, and waits until all of it has left.</summary>
    private static async Task PassToAsync(DateTimeOffset instant, Surroundings parts, ShiftedClock clock, RunningWorker worker)
    {
        clock.MoveTo(instant);
        await worker.SweepAsync(Cancelled);
        await Eventually.HoldsAsync("nothing due and nothing unsent", () => WorkerState.IsQuietAsync(parts, clock.GetUtcNow(), Cancelled), Cancelled);
    }
}
