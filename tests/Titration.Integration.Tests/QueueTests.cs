using System.Text.Json.Nodes;
using RabbitMQ.Client.Exceptions;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>What the clinic's producers rely on at the broker.</summary>
public sealed class QueueTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task The_inbound_queue_is_a_durable_quorum_queue_behind_a_durable_topic_exchange()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using RunningWorker worker = await parts.StartAsync(TimeProvider.System, Cancelled);

        JsonNode queue = (await parts.Broker.AskAsync($"queues/{{0}}/{Broker.Queue}", Cancelled))!;
        JsonNode exchange = (await parts.Broker.AskAsync($"exchanges/{{0}}/{Broker.Exchange}", Cancelled))!;
        JsonNode bindings = (await parts.Broker.AskAsync($"exchanges/{{0}}/{Broker.Exchange}/bindings/source", Cancelled))!;

        Assert.Equal("quorum", queue["arguments"]!["x-queue-type"]!.GetValue<string>());
        Assert.True(queue["durable"]!.GetValue<bool>());
        Assert.True(queue["arguments"]!["x-delivery-limit"]!.GetValue<int>() >= 1_000_000);
        Assert.Equal(("topic", true), (exchange["type"]!.GetValue<string>(), exchange["durable"]!.GetValue<bool>()));
        string[] keys = [.. bindings.AsArray().Select(b => b!["routing_key"]!.GetValue<string>())];
        Assert.Superset(new HashSet<string>(["MedicationRequest", "Observation", "Task"], StringComparer.Ordinal), keys.ToHashSet(StringComparer.Ordinal));
    }

    /// <summary>RabbitMQ 4 gives up after 20 deliveries where a queue does not say otherwise.</summary>
    [Fact]
    public async Task A_message_whose_reader_dies_30_times_is_still_there_for_the_next()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "patience");
        ShiftedClock clock = new(_days.At(6));
        await using (await parts.StartAsync(clock, Cancelled))
        {
            // It declares the queue.
        }

        await parts.Broker.PublishAsync(Cancelled, _days.Order("patience"));
        for (int death = 0; death < 30; death++)
        {
            await Eventually.HoldsAsync("the message", () => parts.Broker.TakeAndDieAsync(Broker.Queue, Cancelled), Cancelled);
        }

        await using RunningWorker worker = await parts.StartAsync(clock, Cancelled);
        await Eventually.HoldsAsync("the order", () => WorkerState.IsKnownAsync(parts, "patience", Cancelled), Cancelled);
        Assert.Equal(0u, await parts.Broker.DepthAsync(Broker.UndeliveredQueue, Cancelled));
    }

    [Fact]
    public async Task What_the_broker_gives_up_delivering_is_kept_in_a_queue_of_its_own()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using (await parts.StartAsync(TimeProvider.System, Cancelled))
        {
            // It declares the queues.
        }

        await parts.Broker.PublishAsync(Cancelled, _days.Order("given-up"));
        await Eventually.HoldsAsync("the message", () => parts.Broker.RejectAsync(Broker.Queue, Cancelled), Cancelled);

        await Eventually.HoldsAsync("it is kept", async () => await parts.Broker.DepthAsync(Broker.UndeliveredQueue, Cancelled) == 1, Cancelled);
        JsonNode kept = (await parts.Broker.AskAsync($"queues/{{0}}/{Broker.UndeliveredQueue}", Cancelled))!;
        Assert.Equal(("quorum", true), (kept["arguments"]!["x-queue-type"]!.GetValue<string>(), kept["durable"]!.GetValue<bool>()));
    }

    [Fact]
    public async Task A_type_that_the_service_has_no_use_for_does_not_reach_its_queue()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using RunningWorker worker = await parts.StartAsync(TimeProvider.System, Cancelled);

        await Assert.ThrowsAsync<PublishReturnException>(() => parts.Broker.PublishAsync([("Encounter", "{}"u8.ToArray())], Cancelled));
        await parts.Broker.PublishAsync([("Patient", FhirJson.Patient().ToUtf8())], Cancelled);
    }
}
