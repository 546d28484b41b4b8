using System.Net;
using System.Net.Http.Headers;
using System.Net.Http.Json;
using System.Text;
using System.Text.Json.Nodes;
using RabbitMQ.Client;
using RabbitMQ.Client.Exceptions;
using Titration.TestKit.Builders;

namespace Titration.Integration.Tests;

/// <summary>A virtual host of its own on the broker, with a publisher that is no part of the service.</summary>
internal sealed class Broker : IAsyncDisposable
{
    public const string Exchange = "clinic.fhir";
    public const string Queue = "titration.inbound";
    public const string ErrorQueue = "titration.inbound_error";
    public const string UndeliveredQueue = "titration.inbound_undelivered";

    private readonly HttpClient _management;
    private readonly string _name;
    private IConnection? _connection;

    private Broker(Uri server, Uri management, string name)
    {
        _name = name;
        Address = new Uri(server, $"/{name}");
        _management = new HttpClient { BaseAddress = new Uri(management.GetComponents(UriComponents.SchemeAndServer, UriFormat.Unescaped)) };
        _management.DefaultRequestHeaders.Authorization =
            new AuthenticationHeaderValue("Basic", Convert.ToBase64String(Encoding.UTF8.GetBytes(management.UserInfo)));
    }

    /// <summary>Where clients connect.</summary>
    public Uri Address { get; }

    public static async Task<Broker> CreateAsync(CancellationToken cancellationToken) =>
        await CreateAsync(await Services.RabbitMqAsync(), await Services.RabbitMqManagementAsync(), cancellationToken);

    public static async Task<Broker> CreateAsync(Uri server, Uri management, CancellationToken cancellationToken)
    {
        Broker broker = new(server, management, $"test-{Guid.NewGuid():N}");
        await broker.PutAsync($"api/vhosts/{broker._name}", new { }, cancellationToken);
        await broker.PutAsync(
            $"api/permissions/{broker._name}/{server.UserInfo.Split(':')[0]}", new { configure = ".*", write = ".*", read = ".*" }, cancellationToken);
        return broker;
    }

    /// <summary>Publishes resources as the clinic's interface engine would, one after the other, each confirmed by the broker.</summary>
    public Task PublishAsync(CancellationToken cancellationToken, params IEnumerable<JsonObject> resources) =>
        PublishAsync(resources.Select(r => (r["resourceType"]!.GetValue<string>(), r.ToUtf8())), cancellationToken);

    public async Task PublishAsync(IEnumerable<(string RoutingKey, byte[] Body)> messages, CancellationToken cancellationToken)
    {
        await using IChannel channel = await ChannelAsync(cancellationToken);
        foreach ((string routingKey, byte[] body) in messages)
        {
            BasicProperties properties = new()
            {
                ContentType = "application/fhir+json",
                DeliveryMode = DeliveryModes.Persistent,
                Headers = new Dictionary<string, object?>(StringComparer.Ordinal) { ["traceparent"] = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01" },
            };
            await channel.BasicPublishAsync(Exchange, routingKey, mandatory: true, properties, body, cancellationToken);
        }
    }

    /// <summary>Publishes a body under another content type and with other headers than a producer should.</summary>
    public async Task PublishAsync(string routingKey, byte[] body, string contentType, IReadOnlyDictionary<string, string> headers, CancellationToken cancellationToken)
    {
        await using IChannel channel = await ChannelAsync(cancellationToken);
        BasicProperties properties = new()
        {
            ContentType = contentType,
            Headers = headers.ToDictionary(h => h.Key, h => (object?)h.Value, StringComparer.Ordinal),
        };
        await channel.BasicPublishAsync(Exchange, routingKey, mandatory: true, properties, body, cancellationToken);
    }

    /// <summary>Takes what is in a queue and gives its headers and properties as text, a line for each message; the bodies are left out.</summary>
    public async Task<string> HeaderTextAsync(string queue, CancellationToken cancellationToken)
    {
        await using IChannel channel = await ChannelAsync(cancellationToken);
        StringBuilder text = new();
        while (await channel.BasicGetAsync(queue, autoAck: true, cancellationToken) is { } message)
        {
            IReadOnlyBasicProperties properties = message.BasicProperties;
            string[] named = [properties.ContentType ?? "", properties.CorrelationId ?? "", properties.MessageId ?? "", properties.ReplyTo ?? "", properties.Type ?? "", message.RoutingKey, message.Exchange];
            IEnumerable<string> headers = properties.Headers?.Select(h => $"{h.Key}={(h.Value is byte[] bytes ? Encoding.UTF8.GetString(bytes) : h.Value)}") ?? [];
            text.AppendLine(string.Join(" | ", [.. named, .. headers]).ReplaceLineEndings(" "));
        }

        return text.ToString();
    }

    /// <summary>The bodies of what is in a queue, first to last; they stay there.</summary>
    public async Task<IReadOnlyList<byte[]>> BodiesAsync(string queue, CancellationToken cancellationToken)
    {
        await using IChannel channel = await ChannelAsync(cancellationToken);
        List<byte[]> bodies = [];
        while (await channel.BasicGetAsync(queue, autoAck: false, cancellationToken) is { } message)
        {
            bodies.Add(message.Body.ToArray());
        }

        return bodies;
    }

    /// <summary>Publishes one message under a content type of its own.</summary>
    public async Task PublishAsync(string routingKey, string contentType, byte[] body, CancellationToken cancellationToken)
    {
        await using IChannel channel = await ChannelAsync(cancellationToken);
        await channel.BasicPublishAsync(Exchange, routingKey, mandatory: true, new BasicProperties { ContentType = contentType }, body, cancellationToken);
    }

    /// <summary>Takes the first message from a queue and tells the names of its headers.</summary>
    public async Task<IReadOnlyCollection<string>> HeadersAsync(string queue, CancellationToken cancellationToken)
    {
        await using IChannel channel = await ChannelAsync(cancellationToken);
        return [.. (await channel.BasicGetAsync(queue, autoAck: true, cancellationToken))!.BasicProperties.Headers!.Keys];
    }

    /// <summary>Takes the first message and goes without a word, as a reader does that was killed.</summary>
    /// <returns>False where there was none.</returns>
    public async Task<bool> TakeAndDieAsync(string queue, CancellationToken cancellationToken)
    {
        await using IChannel channel = await ChannelAsync(cancellationToken);
        return await channel.BasicGetAsync(queue, autoAck: false, cancellationToken) is not null;
    }

    /// <summary>Refuses the first message for good, which is what the broker itself does with one that it has delivered too often.</summary>
    /// <returns>False where there was none.</returns>
    public async Task<bool> RejectAsync(string queue, CancellationToken cancellationToken)
    {
        await using IChannel channel = await ChannelAsync(cancellationToken);
        if (await channel.BasicGetAsync(queue, autoAck: false, cancellationToken) is not { } message)
        {
            return false;
        }

        await channel.BasicRejectAsync(message.DeliveryTag, requeue: false, cancellationToken);
        return true;
    }

    /// <summary>Messages that wait in a queue for somebody to take them; 0 where there is no such queue.</summary>
    public async Task<uint> DepthAsync(string queue, CancellationToken cancellationToken)
    {
        await using IChannel channel = await ChannelAsync(cancellationToken);
        try
        {
            return (await channel.QueueDeclarePassiveAsync(queue, cancellationToken)).MessageCount;
        }
        catch (OperationInterruptedException missing) when (missing.ShutdownReason?.ReplyCode == Constants.NotFound)
        {
            return 0;
        }
    }

    /// <summary>Asks the management API about something in this virtual host, such as <c>queues/{0}/name</c>; null where it is not.</summary>
    public async Task<JsonNode?> AskAsync(string path, CancellationToken cancellationToken)
    {
        using HttpResponseMessage response = await _management.GetAsync(new Uri($"api/{string.Format(path, _name)}", UriKind.Relative), cancellationToken);
        return response.StatusCode == HttpStatusCode.NotFound ? null : await response.EnsureSuccessStatusCode().Content.ReadFromJsonAsync<JsonNode>(cancellationToken);
    }

    public async ValueTask DisposeAsync()
    {
        if (_connection is not null)
        {
            await _connection.DisposeAsync();
        }

        using (await _management.DeleteAsync(new Uri($"api/vhosts/{_name}", UriKind.Relative)))
        {
            _management.Dispose();
        }
    }

    // A connection of the broker's that was restarted is made anew.
    private async Task<IChannel> ChannelAsync(CancellationToken cancellationToken)
    {
        if (_connection is not { IsOpen: true })
        {
            ConnectionFactory factory = new() { Uri = Address, AutomaticRecoveryEnabled = false };
            _connection = await factory.CreateConnectionAsync(cancellationToken);
        }

        return await _connection.CreateChannelAsync(new CreateChannelOptions(publisherConfirmationsEnabled: true, publisherConfirmationTrackingEnabled: true), cancellationToken);
    }

    private async Task PutAsync(string path, object body, CancellationToken cancellationToken)
    {
        using HttpResponseMessage response = await _management.PutAsJsonAsync(new Uri(path, UriKind.Relative), body, cancellationToken);
        response.EnsureSuccessStatusCode();
    }
}
