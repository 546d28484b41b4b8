using RabbitMQ.Client;
using RabbitMQ.Client.Exceptions;
using Titration.Worker.Configuration;
using Titration.Worker.Hosting;

namespace Titration.Worker.Intake;

/// <summary>
/// Puts what comes by HTTP onto the inbound queue, beside what comes by AMQP. It returns once the broker has confirmed that the message is safe, so that whoever
/// sent it may forget it: also while the database is away.
/// </summary>
public sealed class InboundPublisher(Settings settings) : IAsyncDisposable
{
    private static readonly TimeSpan Patience = TimeSpan.FromSeconds(10);

    private readonly SemaphoreSlim _oneAtATime = new(1);
    private IConnection? _connection;
    private IChannel? _channel;

    /// <summary>Publishes a body; false where the broker does not take it now.</summary>
    public async Task<bool> PublishAsync(ReadOnlyMemory<byte> body, string? traceParent, CancellationToken cancellationToken)
    {
        BasicProperties properties = new() { ContentType = RawFhirSerializerFactory.MediaType, DeliveryMode = DeliveryModes.Persistent };
        if (traceParent is not null)
        {
            properties.Headers = new Dictionary<string, object?>(StringComparer.Ordinal) { ["traceparent"] = traceParent };
        }

        await _oneAtATime.WaitAsync(cancellationToken);
        try
        {
            using CancellationTokenSource patience = CancellationTokenSource.CreateLinkedTokenSource(cancellationToken);
            patience.CancelAfter(Patience);
            IChannel channel = await ChannelAsync(patience.Token);
            // To the queue itself: an exchange that somebody has unbound would drop it.
            await channel.BasicPublishAsync("", Messaging.Queue, mandatory: true, properties, body, patience.Token);
            return true;
        }
        catch (Exception trouble) when (
            trouble is BrokerUnreachableException or OperationInterruptedException or PublishException or IOException or TimeoutException
            || (trouble is OperationCanceledException && !cancellationToken.IsCancellationRequested))
        {
            await CloseAsync();
            return false;
        }
        finally
        {
            _oneAtATime.Release();
        }
    }

    public async ValueTask DisposeAsync()
    {
        await CloseAsync();
        _oneAtATime.Dispose();
    }

    private async Task<IChannel> ChannelAsync(CancellationToken cancellationToken)
    {
        if (_channel is { IsOpen: true })
        {
            return _channel;
        }

        await CloseAsync();
        _connection = await BrokerAddress.Factory(settings, Patience).CreateConnectionAsync(cancellationToken);
        return _channel = await _connection.CreateChannelAsync(
            new CreateChannelOptions(publisherConfirmationsEnabled: true, publisherConfirmationTrackingEnabled: true), cancellationToken);
    }

    private async Task CloseAsync()
    {
        (IConnection? connection, _connection, _channel) = (_connection, null, null);
        if (connection is not null)
        {
            await connection.DisposeAsync();
        }
    }
}
