using System.Text.Json.Nodes;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>The example resources of a clinic, published by an AMQP client that is not ours, seen on an endpoint that is not ours.</summary>
public sealed class ExampleMessagesTests
{
    /// <summary>A minute after the last of the examples was written.</summary>
    private static readonly DateTimeOffset Now = new(2026, 3, 20, 6, 59, 0, TimeSpan.Zero);

    private static readonly string[] InOrder =
        ["inputs/MedicationRequest-rx-quill-1.json", "inputs/Observation-obs-quill-w4.json", "messages/amqp-single-resource.json", "inputs/Observation-obs-quill-urgent.json"];

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task The_swelling_of_the_examples_is_referred_at_once_and_the_patient_told_to_stop()
    {
        Outcome outcome = await RunAsync(InOrder);

        SentCommunication referral = Assert.Single(outcome.Sent, c => c.Kind == "alert");
        Assert.Equal(("px-quill", "active", "stat", "stop-finding", "PractitionerRole/role-osei"), (referral.Patient, referral.Status, referral.Priority, referral.Rule, referral.Recipient));
        SentCommunication advice = Assert.Single(outcome.Open, c => c.Kind == "instruction");
        Assert.Equal(("active", "stat", "Patient/px-quill"), (advice.Status, advice.Priority, advice.Recipient));
        Assert.Single(outcome.Issues);
    }

    [Fact]
    public async Task Every_message_delivered_three_times_changes_nothing()
    {
        Outcome once = await RunAsync(InOrder);
        Outcome thrice = await RunAsync([.. InOrder.SelectMany(f => new[] { f, f, f })]);

        // What was opened and closed within the same moment may or may not have left before it was dropped.
        Assert.Equal(once.Opened, thrice.Opened);
        Assert.Equal(once.Open.Select(c => (c.Identifier, c.Kind, c.Status)).Order(), thrice.Open.Select(c => (c.Identifier, c.Kind, c.Status)).Order());
        Assert.Equal(thrice.Sent.Count, thrice.Sent.Select(c => c.Identifier).Distinct(StringComparer.Ordinal).Count());
    }

    [Fact]
    public async Task Delivered_three_times_in_reverse_order_the_same_stands_and_nothing_twice()
    {
        Outcome once = await RunAsync(InOrder);
        Outcome reversed = await RunAsync([.. InOrder.Reverse().SelectMany(f => new[] { f, f, f })]);

        // The identifiers differ, since other decisions opened what stands; what it says to whom does not.
        Assert.Equal(once.Open.Select(c => c.Saying).Order(StringComparer.Ordinal), reversed.Open.Select(c => c.Saying).Order(StringComparer.Ordinal));
        Assert.Equal(reversed.Sent.Count, reversed.Sent.Select(c => c.Identifier).Distinct(StringComparer.Ordinal).Count());
    }

    /// <summary>Publishes the files, waits until all is taken in and has left, and returns what stands on the endpoint.</summary>
    private static async Task<Outcome> RunAsync(string[] files)
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        foreach (string file in new[] { "Organization-org-harbour", "Practitioner-pr-osei", "PractitionerRole-role-osei", "Patient-px-quill" })
        {
            await parts.Peer.PutAsync(JsonNode.Parse(await File.ReadAllBytesAsync(PathOf($"inputs/{file}.json"), Cancelled))!.AsObject(), Cancelled);
        }

        // One message at a time: the order in which they are published is the order in which they are taken in.
        ShiftedClock clock = new(Now);
        Dictionary<string, string> settings = parts.Settings();
        settings["Titration:Broker:Prefetch"] = "1";
        await using RunningWorker worker = await RunningWorker.StartAsync(settings, clock, Cancelled);
        (int exitCode, string output) = await Node.RunAsync("producer", "publish.mjs", Cancelled, [parts.Broker.Address.AbsoluteUri, .. files.Select(PathOf)]);
        Assert.True(exitCode == 0, output);

        await parts.Broker.PublishAsync(Cancelled, FhirJson.Patient("last-of-all"));
        await Eventually.HoldsAsync("the last message", () => WorkerState.IsKnownAsync(parts, "last-of-all", Cancelled), Cancelled);
        await Eventually.HoldsAsync("an empty outbox", () => WorkerState.IsQuietAsync(parts, clock.GetUtcNow(), Cancelled), Cancelled);
        Assert.Equal(InOrder.Length, (await WorkerState.FactsAsync(parts, Cancelled)).Count);
        Assert.All(await WorkerState.TracesAsync(parts, Cancelled), trace => Assert.Contains("4bf92f3577b34da6a3ce929d0e0e4736", trace, StringComparison.Ordinal));
        await parts.AssertNoErrorAsync(Cancelled);
        return new Outcome(
            await WorkerState.OpenedAsync(parts, Cancelled), await parts.Peer.CommunicationsAsync(Cancelled), await parts.Peer.SearchAsync("DetectedIssue", Cancelled));
    }

    private static string PathOf(string file) => Repository.File("tests", "data", "fhir-examples", file);

    /// <summary>How a run ended.</summary>
    /// <param name="Opened">Every communication that a decision opened.</param>
    /// <param name="Sent">What reached the endpoint.</param>
    /// <param name="Issues">The DetectedIssues there.</param>
    private sealed record Outcome(IReadOnlyList<string> Opened, IReadOnlyList<SentCommunication> Sent, IReadOnlyList<JsonObject> Issues)
    {
        public IEnumerable<SentCommunication> Open => Sent.Where(c => c.IsOpen);
    }
}
