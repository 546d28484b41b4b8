using System.Text.Json.Nodes;
using RabbitMQ.Client.Exceptions;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>What the clinic's producers rely on at the broker.</summary>
public sealed class QueueTests
{
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
        Assert.Equal(("topic", true), (exchange["type"]!.GetValue<string>(), exchange["durable"]!.GetValue<bool>()));
        string[] keys = [.. bindings.AsArray().Select(b => b!["routing_key"]!.GetValue<string>())];
        Assert.Superset(new HashSet<string>(["MedicationRequest", "Observation", "Task"], StringComparer.Ordinal), keys.ToHashSet(StringComparer.Ordinal));
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
