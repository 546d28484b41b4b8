using System.Net.Http.Headers;
using System.Net.Http.Json;
using System.Text;
using System.Text.Json.Nodes;
using RabbitMQ.Client;
using Titration.TestKit.Builders;
using Titration.Worker.Hosting;

namespace Titration.Benchmarks.Load;

/// <summary>A message of the clinic's.</summary>
/// <param name="Type">Its resource type, and so its routing key.</param>
/// <param name="Id">The resource's logical id.</param>
/// <param name="Patient">Whom it is about.</param>
/// <param name="Body">Plain FHIR JSON.</param>
internal sealed record ClinicMessage(string Type, string Id, string Patient, byte[] Body)
{
    public static ClinicMessage Of(string type, JsonObject resource, string patient) => new(type, resource["id"]!.GetValue<string>(), patient, resource.ToUtf8());
}

/// <summary>A virtual host of its own on the broker, and the clinic's side of it.</summary>
internal sealed class LoadBroker : IAsyncDisposable
{
    /// <summary>Messages on their way to the broker that it has not confirmed yet.</summary>
    private const int Unconfirmed = 1000;

    private readonly HttpClient _management;
    private readonly string _name;
    private readonly IConnection _connection;

    private LoadBroker(HttpClient management, string name, Uri address, IConnection connection)
    {
        _management = management;
        _name = name;
        Address = address;
        _connection = connection;
    }

    /// <summary>Where clients connect.</summary>
    public Uri Address { get; }

    public static async Task<LoadBroker> CreateAsync(LoadServices services, CancellationToken cancellationToken)
    {
        string name = $"load-{Guid.NewGuid():N}";
        HttpClient management = new() { BaseAddress = new Uri(services.BrokerManagement.GetComponents(UriComponents.SchemeAndServer, UriFormat.Unescaped)) };
        management.DefaultRequestHeaders.Authorization =
            new AuthenticationHeaderValue("Basic", Convert.ToBase64String(Encoding.UTF8.GetBytes(services.BrokerManagement.UserInfo)));
        string user = services.Broker.UserInfo.Split(':')[0];
        (await management.PutAsJsonAsync($"api/vhosts/{name}", new { }, cancellationToken)).EnsureSuccessStatusCode();
        (await management.PutAsJsonAsync($"api/permissions/{name}/{user}", new { configure = ".*", write = ".*", read = ".*" }, cancellationToken)).EnsureSuccessStatusCode();
        Uri address = new(services.Broker, $"/{name}");
        IConnection connection = await new ConnectionFactory { Uri = address }.CreateConnectionAsync(cancellationToken);
        return new LoadBroker(management, name, address, connection);
    }

    public Task<IChannel> ChannelAsync(CancellationToken cancellationToken) => _connection.CreateChannelAsync(
        new CreateChannelOptions(publisherConfirmationsEnabled: true, publisherConfirmationTrackingEnabled: true, outstandingPublisherConfirmationsRateLimiter: null),
        cancellationToken);

    /// <summary>Publishes to the clinic's exchange, each message confirmed by the broker.</summary>
    public Task PublishAsync(IReadOnlyCollection<ClinicMessage> messages, CancellationToken cancellationToken) =>
        PublishAsync(messages, Messaging.Exchange, m => m.Type, cancellationToken);

    /// <summary>Publishes straight to a queue.</summary>
    public Task PublishToAsync(string queue, IReadOnlyCollection<ClinicMessage> messages, CancellationToken cancellationToken) =>
        PublishAsync(messages, "", _ => queue, cancellationToken);

    /// <summary>Publishes one message and returns once the broker has confirmed it.</summary>
    public static ValueTask PublishAsync(IChannel channel, string exchange, string routingKey, byte[] body, CancellationToken cancellationToken) =>
        channel.BasicPublishAsync(
            exchange, routingKey, mandatory: true, new BasicProperties { ContentType = "application/fhir+json", DeliveryMode = DeliveryModes.Persistent }, body, cancellationToken);

    /// <summary>A queue like the service's, without any exchange.</summary>
    public async Task DeclareQueueAsync(string queue, CancellationToken cancellationToken)
    {
        await using IChannel channel = await ChannelAsync(cancellationToken);
        await channel.QueueDeclareAsync(
            queue, durable: true, exclusive: false, autoDelete: false, new Dictionary<string, object?>(StringComparer.Ordinal) { ["x-queue-type"] = "quorum" },
            cancellationToken: cancellationToken);
    }

    /// <summary>Messages that wait in a queue for somebody to take them.</summary>
    public static async Task<uint> DepthAsync(IChannel channel, string queue, CancellationToken cancellationToken) =>
        (await channel.QueueDeclarePassiveAsync(queue, cancellationToken)).MessageCount;

    public async ValueTask DisposeAsync()
    {
        await _connection.DisposeAsync();
        using (await _management.DeleteAsync(new Uri($"api/vhosts/{_name}", UriKind.Relative)))
        {
            _management.Dispose();
        }
    }

    private async Task PublishAsync(
        IReadOnlyCollection<ClinicMessage> messages, string exchange, Func<ClinicMessage, string> routingKey, CancellationToken cancellationToken)
    {
        await using IChannel channel = await ChannelAsync(cancellationToken);
        foreach (ClinicMessage[] some in messages.Chunk(Unconfirmed))
        {
            await Task.WhenAll(some.Select(m => PublishAsync(channel, exchange, routingKey(m), m.Body, cancellationToken).AsTask()));
        }
    }
}
