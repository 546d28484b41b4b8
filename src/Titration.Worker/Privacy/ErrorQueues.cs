using System.Collections.Immutable;
using System.Security.Authentication;
using RabbitMQ.Client;
using RabbitMQ.Client.Exceptions;
using Titration.Worker.Access;
using Titration.Worker.Configuration;
using Titration.Worker.Hosting;

namespace Titration.Worker.Privacy;

/// <summary>
/// What lies at the broker in the queues for defects and for messages of another service. Nothing consumes them: a message stays until somebody takes it.
/// </summary>
public sealed class ErrorQueues : IAsyncDisposable
{
    public static readonly ImmutableArray<string> Names = [Messaging.ErrorQueue, Messaging.SkippedQueue];

    /// <summary>From RabbitMQ 4 on a quorum queue drops a message that was handed out 20 times: well before that it is put back anew.</summary>
    private const long MostReads = 10;

    private const string DeliveryCount = "x-delivery-count";

    private readonly IConnection _connection;

    private ErrorQueues(IConnection connection) => _connection = connection;

    /// <exception cref="BrokerUnreachableException">The broker does not answer, or takes neither account nor certificate.</exception>
    public static async Task<ErrorQueues> ConnectAsync(BrokerOptions options, Tls tls, CancellationToken cancellationToken)
    {
        ConnectionFactory factory = new()
        {
            Uri = new Uri(options.Uri),
            AutomaticRecoveryEnabled = false,
            ClientProvidedName = "titration patient",
            // A message over the client's limit would break the connection; how large one may be is the broker's to say.
            MaxInboundMessageBodySize = 512 * 1024 * 1024,
        };
        if (factory.Ssl.Enabled)
        {
            factory.Ssl.Version = SslProtocols.None;
            factory.Ssl.CertificateValidationCallback = (_, certificate, chain, errors) => tls.Accepts(certificate, chain, errors);
            factory.Ssl.Certs = tls.Certificate is { } own ? [own.Certificate] : null;
        }

        return new ErrorQueues(await factory.CreateConnectionAsync(cancellationToken));
    }

    /// <summary>How many messages lie in all of them.</summary>
    public async Task<long> DepthAsync(CancellationToken cancellationToken)
    {
        long depth = 0;
        foreach (string queue in Names)
        {
            depth += await DepthAsync(queue, cancellationToken);
        }

        return depth;
    }

    /// <summary>
    /// Reads a queue through and removes some of its messages. The others are never out of it: they are handed out unconfirmed, and are in their places
    /// again as soon as the channel is closed, by us or by our end. Only those that were handed out too often before are put back as copies, confirmed
    /// by the broker before the original goes: broken off there, the order may change and one may be there twice; none is lost.
    /// </summary>
    /// <param name="queue">Its name.</param>
    /// <param name="remove">Given a body, whether it goes.</param>
    /// <param name="cancellationToken">Ends it; what was removed by then is gone.</param>
    /// <returns>How many were removed.</returns>
    public async Task<int> SiftAsync(string queue, Predicate<ReadOnlyMemory<byte>> remove, CancellationToken cancellationToken)
    {
        long there = await DepthAsync(queue, cancellationToken);
        await using IChannel channel = await _connection.CreateChannelAsync(
            new CreateChannelOptions(publisherConfirmationsEnabled: true, publisherConfirmationTrackingEnabled: true), cancellationToken);
        int removed = 0;
        bool? anew = null;
        for (long read = 0; read < there && await channel.BasicGetAsync(queue, autoAck: false, cancellationToken) is { } message; read++)
        {
            // The first has been there for longest.
            anew ??= ReadsOf(message) >= MostReads;
            if (remove(message.Body))
            {
                await channel.BasicAckAsync(message.DeliveryTag, multiple: false, cancellationToken);
                removed++;
            }
            else if (anew.Value)
            {
                BasicProperties properties = new(message.BasicProperties);
                properties.Headers?.Remove(DeliveryCount);
                await channel.BasicPublishAsync("", queue, mandatory: true, properties, message.Body, cancellationToken);
                await channel.BasicAckAsync(message.DeliveryTag, multiple: false, cancellationToken);
            }
        }

        await channel.CloseAsync(cancellationToken);
        return removed;
    }

    /// <inheritdoc/>
    public ValueTask DisposeAsync() => _connection.DisposeAsync();

    private async Task<long> DepthAsync(string queue, CancellationToken cancellationToken)
    {
        await using IChannel channel = await _connection.CreateChannelAsync(cancellationToken: cancellationToken);
        try
        {
            return (await channel.QueueDeclarePassiveAsync(queue, cancellationToken)).MessageCount;
        }
        catch (OperationInterruptedException missing) when (missing.ShutdownReason?.ReplyCode == Constants.NotFound)
        {
            // The transport makes it when it is first needed.
            return 0;
        }
    }

    private static long ReadsOf(BasicGetResult message) =>
        message.BasicProperties.Headers?.TryGetValue(DeliveryCount, out object? count) == true && count is long or int or byte or short ? Convert.ToInt64(count, null) : 0;
}
