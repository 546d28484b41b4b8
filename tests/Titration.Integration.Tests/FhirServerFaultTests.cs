using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>The clinic's FHIR server misbehaves: nothing is lost, nothing stands there twice, and somebody else's change is not overwritten.</summary>
public sealed class FhirServerFaultTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task What_was_decided_while_the_server_was_down_is_there_once_it_is_up()
    {
        await using PrivateService server = await PrivateService.StartAsync("peer", Cancelled);
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled, peer: new Peer(server.Fhir));
        await server.StopAsync(Cancelled);
        await using RunningWorker worker = await parts.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);
        await SwellAsync(parts, _days, "down");
        await Eventually.HoldsAsync("a failed attempt", async () => (await OutboxAsync(parts)).Any(o => o.Problem is not null), Cancelled);

        await server.StartAsync(Cancelled);

        await ReferredOnceAsync(parts, "down");
        await parts.AssertNoErrorAsync(Cancelled);
    }

    [Fact]
    public async Task Too_busy_with_Retry_After_is_not_asked_again_before_that_time()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "busy");
        await parts.Peer.FaultsAsync(Cancelled, new Fault("POST /fhir/CommunicationRequest", Status: 503, RetryAfter: 3));
        // The real clock: what a server asks for is told in real time.
        ClinicDays days = ClinicDays.DaysAgo(6);
        await using RunningWorker worker = await parts.StartAsync(TimeProvider.System, Cancelled);

        await SwellAsync(parts, days, "busy");

        await ReferredOnceAsync(parts, "busy");
        SeenRequest[] attempts = [.. (await parts.Peer.LogAsync(Cancelled)).Where(r => r is { Method: "POST", Url: "/fhir/CommunicationRequest" })];
        SeenRequest refused = Assert.Single(attempts, a => a.Status == 503);
        SeenRequest again = attempts.First(a => a.Status == 201 && a.IfNoneExist == refused.IfNoneExist);
        Assert.True(again.At - refused.At >= TimeSpan.FromSeconds(3), $"asked again after {again.At - refused.At}");
    }

    [Fact]
    public async Task An_answer_that_was_lost_after_the_server_had_created_the_resource_leaves_one_resource()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "lost");
        await parts.Peer.FaultsAsync(
            Cancelled,
            new Fault("POST /fhir/CommunicationRequest", Drop: true, After: true),
            new Fault("POST /fhir/Task", Status: 500, After: true),
            new Fault("POST /fhir/DetectedIssue", Drop: true, After: true),
            new Fault("PUT /fhir/Provenance", Drop: true, After: true));
        await using RunningWorker worker = await parts.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);

        await SwellAsync(parts, _days, "lost");

        await ReferredOnceAsync(parts, "lost");
        foreach (string type in new[] { "DetectedIssue", "Task" })
        {
            IReadOnlyList<JsonObject> all = await parts.Peer.SearchAsync(type, Cancelled);
            Assert.NotEmpty(all);
            Assert.Equal(all.Count, all.Select(r => r["identifier"]![0]!["value"]!.GetValue<string>()).Distinct(StringComparer.Ordinal).Count());
        }
    }

    [Fact]
    public async Task On_a_server_that_chooses_all_ids_everything_stands_once_even_where_an_answer_was_lost()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "chosen", "chosen-too");
        await parts.Peer.BecomeAsync(new { updateCreate = false }, Cancelled);
        await parts.Peer.FaultsAsync(Cancelled, new Fault("POST /fhir/Provenance", Drop: true, After: true), new Fault("POST /fhir/Device", Drop: true, After: true));
        ShiftedClock clock = new(_days.At(6));
        for (int start = 0; start < 2; start++)
        {
            // The second one finds the Device of the first.
            await using RunningWorker worker = await parts.StartAsync(clock, Cancelled);
            string patient = start == 0 ? "chosen" : "chosen-too";

            await SwellAsync(parts, _days, patient);

            await ReferredOnceAsync(parts, patient);
        }

        JsonObject device = Assert.Single(await parts.Peer.SearchAsync("Device", Cancelled));
        Assert.NotEqual("titration-service", device["id"]!.GetValue<string>());
        IReadOnlyList<JsonObject> provenances = await parts.Peer.SearchAsync("Provenance", Cancelled);
        Assert.Equal((await parts.Peer.CommunicationsAsync(Cancelled)).Count, provenances.Count);
        Assert.Equal(provenances.Count, provenances.Select(p => p["target"]![0]!["reference"]!.GetValue<string>()).Distinct(StringComparer.Ordinal).Count());
        Assert.All(provenances, p => Assert.Equal($"Device/{device["id"]}", p["agent"]![0]!["who"]!["reference"]!.GetValue<string>()));
        Assert.DoesNotContain(await parts.Peer.LogAsync(Cancelled), r => r.Status == 405);
        await parts.AssertNoErrorAsync(Cancelled);
    }

    [Fact]
    public async Task What_the_server_refuses_for_good_becomes_a_dead_letter_and_the_rest_goes_on()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "refused", "accepted");
        await parts.Peer.FaultsAsync(Cancelled, new Fault("POST /fhir/CommunicationRequest", Status: 422));
        await using RunningWorker worker = await parts.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);

        await SwellAsync(parts, _days, "refused");
        await Eventually.HoldsAsync("a dead letter", async () => (await OutboxAsync(parts)).Any(o => o.State == OutboxState.Dead), Cancelled);
        await SwellAsync(parts, _days, "accepted");

        await ReferredOnceAsync(parts, "accepted");
        OutboxRow dead = Assert.Single(await OutboxAsync(parts), o => o.State == OutboxState.Dead);
        Assert.Equal(("refused", "http-422"), (dead.Patient, dead.Problem?.Split(' ')[0]));
        // Of the same patient only what depends on it is held back.
        await Eventually.HoldsAsync("the rest", async () => (await OutboxAsync(parts)).All(o => o.State is OutboxState.Sent or OutboxState.Dead or OutboxState.Dropped), Cancelled);
        Assert.NotEmpty(await parts.Peer.CommunicationsToAsync("refused", Cancelled));
        await parts.AssertNoErrorAsync(Cancelled);
    }

    [Fact]
    public async Task A_change_by_somebody_else_between_reading_and_writing_is_not_overwritten()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "raced");
        ShiftedClock clock = new(_days.At(8));
        await using RunningWorker worker = await parts.StartAsync(clock, Cancelled);
        await parts.Broker.PublishAsync(Cancelled, _days.Order("raced"));
        SentCommunication request = Assert.Single(await parts.Peer.HoldsAsync(1, Cancelled));
        JsonObject changed = Assert.Single(await parts.Peer.SearchAsync("CommunicationRequest", Cancelled));
        changed["note"] = new JsonArray(new JsonObject { ["text"] = "Called her myself." });
        await parts.Peer.FaultsAsync(Cancelled, new Fault($"PUT /fhir/CommunicationRequest/{request.Id}", DelayMs: 1500));

        // The answer to the request closes it; somebody writes while that change is on its way.
        await parts.Broker.PublishAsync(Cancelled, _days.CheckIn("raced", 7, applied: 3));
        await Eventually.HoldsAsync(
            "the change on its way", async () => (await parts.Peer.LogAsync(Cancelled)).Any(r => r.Method == "PUT" && r.Url.Contains(request.Id, StringComparison.Ordinal)), Cancelled);
        await parts.Peer.PutAsync(changed, Cancelled);

        await Eventually.HoldsAsync("an empty outbox", () => WorkerState.IsQuietAsync(parts, clock.GetUtcNow(), Cancelled), Cancelled);
        JsonObject standing = Assert.Single(await parts.Peer.SearchAsync("CommunicationRequest", Cancelled));
        Assert.Equal("completed", standing["status"]!.GetValue<string>());
        Assert.Equal("Called her myself.", standing["note"]![0]!["text"]!.GetValue<string>());
        SeenRequest[] writes = [.. (await parts.Peer.LogAsync(Cancelled)).Where(r => r.IfMatch.Length > 0)];
        Assert.Equal([412, 200], writes.Select(w => w.Status));
    }

    [Fact]
    public async Task A_worker_that_is_stopped_while_it_sends_gives_back_what_it_has_not_sent()
    {
        string[] names = ["stopped-1", "stopped-2", "stopped-3"];
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, names);
        ShiftedClock clock = new(_days.At(6));
        await parts.Peer.FaultsAsync(Cancelled, new Fault("POST /fhir/CommunicationRequest", DelayMs: 3000));
        await using (await parts.StartAsync(clock, Cancelled))
        {
            foreach (string name in names)
            {
                await SwellAsync(parts, _days, name);
            }

            await Eventually.HoldsAsync("the delivery", async () => (await parts.Peer.LogAsync(Cancelled)).Any(r => r is { Method: "POST", Url: "/fhir/CommunicationRequest" }), Cancelled);
        }

        Assert.DoesNotContain(await OutboxAsync(parts), o => o.State == OutboxState.Leased);
        await using RunningWorker heir = await parts.StartAsync(clock, Cancelled);
        foreach (string name in names)
        {
            await ReferredOnceAsync(parts, name);
        }

        // The endpoint still carries out the request whose sender has gone: not into the next test.
        await Eventually.HoldsAsync("the delayed request to end", async () => (await parts.Peer.LogAsync(Cancelled)).All(r => r.Status is not null), Cancelled);
    }

    /// <summary>An order, and once it is known a swelling: what is referred and what the patient is told belongs to the course.</summary>
    private static async Task SwellAsync(Surroundings parts, ClinicDays days, string patient)
    {
        await parts.Broker.PublishAsync(Cancelled, days.Order(patient));
        await Eventually.HoldsAsync($"the order of {patient}", () => WorkerState.IsKnownAsync(parts, patient, Cancelled), Cancelled);
        await parts.Broker.PublishAsync(Cancelled, days.Swelling(patient, 5));
    }

    private static async Task ReferredOnceAsync(Surroundings parts, string patient)
    {
        await Eventually.BecomesAsync(
            $"the referral of {patient}", () => parts.Peer.CommunicationsToAsync(patient, Cancelled),
            all => all.Any(c => c is { Kind: "alert", IsOpen: true }) && all.Any(c => c is { Kind: "instruction", IsOpen: true }), Cancelled);
        await Eventually.HoldsAsync(
            "everything to have left", async () => (await OutboxAsync(parts)).Where(o => o.Patient == patient).All(o => o.State is OutboxState.Sent or OutboxState.Dropped), Cancelled);
        IReadOnlyList<SentCommunication> sent = await parts.Peer.CommunicationsToAsync(patient, Cancelled);
        Assert.Single(sent, c => c is { Kind: "alert", IsOpen: true });
        Assert.Single(sent, c => c is { Kind: "instruction", IsOpen: true });
        Assert.Equal(sent.Count, sent.Select(c => c.Identifier).Distinct(StringComparer.Ordinal).Count());
    }

    private static async Task<List<OutboxRow>> OutboxAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Outbox.AsNoTracking().ToListAsync(Cancelled);
    }
}
