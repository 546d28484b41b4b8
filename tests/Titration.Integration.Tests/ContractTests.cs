using System.Text;
using System.Text.Json.Nodes;
using Titration.TestKit;
using Titration.Worker.Hosting;
using Titration.Worker.Intake;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>contracts/: sound by validators that share no code with the service, and true of the queues as they really are.</summary>
public sealed class ContractTests
{
    private static readonly string Contract = Repository.File("contracts", "asyncapi.yaml");

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task The_AsyncAPI_document_names_what_the_code_names()
    {
        JsonNode document = await ReadAsync();
        JsonNode channels = document["channels"]!;

        JsonNode exchange = channels["clinicFhir"]!;
        Assert.Equal(Messaging.Exchange, Text(exchange["bindings"]!["amqp"]!["exchange"]!["name"]));
        Assert.Equal(Messaging.RoutingKeys, exchange["parameters"]!["resourceType"]!["enum"]!.AsArray().Select(Text), StringComparer.Ordinal);
        foreach (string channel in new[] { "clinicFhir", "inbound" })
        {
            JsonObject messages = channels[channel]!["messages"]!.AsObject();
            Assert.Equal(Messaging.RoutingKeys, messages.Select(m => m.Key), StringComparer.Ordinal);
            Assert.All(messages, m => Assert.Equal(RawFhirSerializerFactory.MediaType, Text(m.Value!["contentType"])));
            // The parser does not hold examples against their payload's schema.
            Assert.All(messages, m => Assert.Equal(m.Key, Text(m.Value!["payload"]!["properties"]!["resourceType"]!["const"])));
            Assert.All(messages, m => Assert.All(m.Value!["examples"]?.AsArray() ?? [], e => Assert.Equal(m.Key, Text(e!["payload"]!["resourceType"]))));
        }

        Assert.Equal(RawFhirSerializerFactory.MediaType, Text(document["defaultContentType"]));
        Assert.Equal(Messaging.Queue, Text(channels["inbound"]!["address"]));
        Assert.Equal(Messaging.UndeliveredQueue, Text(channels["undelivered"]!["address"]));
        Assert.Equal(Messaging.ErrorQueue, Text(channels["error"]!["address"]));
        Assert.Equal(Messaging.SkippedQueue, Text(channels["skipped"]!["address"]));
    }

    [Theory]
    [InlineData("action: receive", "action: swallow", "operations.hearOfResource.action")]
    [InlineData("channel: { $ref: '#/channels/inbound' }", "channel: { $ref: '#/channels/outbound' }", "takeIn")]
    [InlineData("deliveryMode: 2", "deliveryMode: 7", "deliveryMode")]
    [InlineData("fhir/examples/Patient-known.json", "fhir/examples/Patient-nowhere.json", "Patient.examples")]
    public async Task A_broken_copy_is_refused(string sound, string broken, string where)
    {
        string text = await File.ReadAllTextAsync(Contract, Cancelled);
        Assert.Contains(sound, text, StringComparison.Ordinal);
        // Beside the document, so that the examples it refers to are found.
        string copy = Repository.File("contracts", $"broken-{Guid.NewGuid():N}.yaml");
        try
        {
            await File.WriteAllTextAsync(copy, text.Replace(sound, broken, StringComparison.Ordinal), Cancelled);
            (int exitCode, string output) = await Node.RunAsync("validators", "asyncapi.mjs", Cancelled, copy);
            Assert.Equal((1, true), (exitCode, output.Contains(where, StringComparison.Ordinal)));
        }
        finally
        {
            File.Delete(copy);
        }
    }

    [Fact]
    public async Task Definitions_and_examples_are_valid_R4()
    {
        (int exitCode, string output) = await Node.RunAsync("validators", "validate.mjs", Cancelled, Repository.File("contracts", "fhir"), Repository.File("docs", "examples"));
        Assert.True(exitCode == 0, output);
    }

    [Fact]
    public async Task Each_queue_is_at_the_broker_what_the_document_says_of_it()
    {
        JsonNode channels = (await ReadAsync())["channels"]!;
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using RunningWorker worker = await parts.StartAsync(TimeProvider.System, Cancelled);

        // In the envelope of the transport library: one that breaks off, and one of a type that nobody here takes.
        const string envelope = "application/vnd.masstransit+json";
        await parts.Broker.PublishAsync(Messaging.RoutingKeys[0], envelope, "{\"message\":"u8.ToArray(), Cancelled);
        await parts.Broker.PublishAsync(
            Messaging.RoutingKeys[0], envelope, Encoding.UTF8.GetBytes("""{"messageType":["urn:message:Elsewhere:Other"],"message":{}}"""), Cancelled);

        foreach (string channel in new[] { "inbound", "undelivered", "error", "skipped" })
        {
            JsonNode said = channels[channel]!;
            JsonNode binding = said["bindings"]!["amqp"]!["queue"]!;
            JsonNode queue = await Eventually.BecomesAsync(
                $"the queue {Text(said["address"])}", async () => await parts.Broker.AskAsync($"queues/{{0}}/{Text(said["address"])}", Cancelled) ?? new JsonObject(),
                q => q["arguments"] is not null && (channel is "inbound" or "undelivered" || q["messages"]?.GetValue<int>() == 1), Cancelled);
            Assert.Equal(
                (Text(binding["name"]), binding["durable"]!.ToJsonString(), binding["autoDelete"]!.ToJsonString()),
                (Text(queue["name"]), queue["durable"]!.ToJsonString(), queue["auto_delete"]!.ToJsonString()));
            Assert.Equal(Arguments(said["x-queue-arguments"]!), Arguments(queue["arguments"]!), StringComparer.Ordinal);
        }

        JsonNode bindings = (await parts.Broker.AskAsync($"exchanges/{{0}}/{Messaging.Exchange}/bindings/source", Cancelled))!;
        Assert.Equal(Messaging.RoutingKeys.Order(StringComparer.Ordinal), bindings.AsArray().Select(b => Text(b!["routing_key"])).Order(StringComparer.Ordinal), StringComparer.Ordinal);
        JsonObject headers = channels["error"]!["messages"]!["failed"]!["headers"]!["properties"]!.AsObject();
        Assert.Empty(headers.Select(h => h.Key).Except(await parts.Broker.HeadersAsync(Messaging.ErrorQueue, Cancelled), StringComparer.Ordinal));
        Assert.Contains("MT-Reason", await parts.Broker.HeadersAsync(Messaging.SkippedQueue, Cancelled), StringComparer.Ordinal);
    }

    private static async Task<JsonNode> ReadAsync()
    {
        (int exitCode, string output) = await Node.RunAsync("validators", "asyncapi.mjs", Cancelled, Contract);
        Assert.True(exitCode == 0, output);
        return JsonNode.Parse(output)!;
    }

    private static IEnumerable<string> Arguments(JsonNode arguments) =>
        arguments.AsObject().Select(a => $"{a.Key}: {a.Value!.ToString()}").Order(StringComparer.Ordinal);

    private static string? Text(JsonNode? node) => node?.GetValue<string>();
}
