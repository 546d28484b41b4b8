using System.Collections.Immutable;
using System.Diagnostics;
using MassTransit;
using RabbitMQ.Client;
using RabbitMQ.Client.Events;
using Titration.Worker.Intake;

namespace Titration.Benchmarks.Load;

/// <summary>What the broker gives at least: the same bytes from the same kind of queue, acknowledged one by one, and nothing done with them.</summary>
internal sealed class BareConsumers(LoadBroker broker, ushort prefetch)
{
    private const string BusQueue = "bare.bus";
    private const string ClientQueue = "bare.client";

    /// <summary>Through the bus that the service uses; messages a second.</summary>
    public async Task<double> MassTransitAsync(ImmutableArray<ClinicMessage> messages, CancellationToken cancellationToken)
    {
        Countdown countdown = new(messages.Length);
        await broker.DeclareQueueAsync(BusQueue, cancellationToken);
        await broker.PublishToAsync(BusQueue, messages, cancellationToken);
        IBusControl bus = Bus.Factory.CreateUsingRabbitMq(rabbit =>
        {
            rabbit.Host(broker.Address);
            rabbit.ReceiveEndpoint(BusQueue, endpoint =>
            {
                endpoint.SetQuorumQueue();
                endpoint.ConfigureConsumeTopology = false;
                endpoint.PrefetchCount = prefetch;
                endpoint.AddDeserializer(new RawFhirSerializerFactory(), isDefault: true);
                endpoint.Handler<FhirResourceReceived>(_ =>
                {
                    countdown.One();
                    return Task.CompletedTask;
                });
            });
        });
        await bus.StartAsync(cancellationToken);
        double rate = await countdown.RateAsync(cancellationToken);
        await bus.StopAsync(cancellationToken);
        return rate;
    }

    /// <summary>With nothing but the client library; messages a second.</summary>
    public async Task<double> ClientAsync(ImmutableArray<ClinicMessage> messages, CancellationToken cancellationToken)
    {
        Countdown countdown = new(messages.Length);
        await broker.DeclareQueueAsync(ClientQueue, cancellationToken);
        await broker.PublishToAsync(ClientQueue, messages, cancellationToken);
        await using IChannel channel = await broker.ChannelAsync(cancellationToken);
        await channel.BasicQosAsync(0, prefetch, global: false, cancellationToken);
        AsyncEventingBasicConsumer consumer = new(channel);
        consumer.ReceivedAsync += async (_, message) =>
        {
            await channel.BasicAckAsync(message.DeliveryTag, multiple: false, cancellationToken);
            countdown.One();
        };
        await channel.BasicConsumeAsync(ClientQueue, autoAck: false, consumer, cancellationToken);
        return await countdown.RateAsync(cancellationToken);
    }

    /// <summary>Times from the first message to the last: connecting is left out.</summary>
    private sealed class Countdown(int messages)
    {
        private readonly TaskCompletionSource<long> _last = new(TaskCreationOptions.RunContinuationsAsynchronously);
        private long _first;
        private int _seen;

        public void One()
        {
            Interlocked.CompareExchange(ref _first, Stopwatch.GetTimestamp(), 0);
            if (Interlocked.Increment(ref _seen) == messages)
            {
                _last.SetResult(Stopwatch.GetTimestamp());
            }
        }

        public async Task<double> RateAsync(CancellationToken cancellationToken)
        {
            long last = await _last.Task.WaitAsync(cancellationToken);
            return messages / Stopwatch.GetElapsedTime(_first, last).TotalSeconds;
        }
    }
}
