using System.Collections.Immutable;
using System.Diagnostics;
using RabbitMQ.Client;
using Titration.Worker.Hosting;

namespace Titration.Benchmarks.Load;

/// <summary>Publishes at a fixed rate whatever the service does meanwhile: each message has an instant at which it is meant to be sent, and is late from then on.</summary>
internal static class OpenLoop
{
    private static readonly TimeSpan Tick = TimeSpan.FromMilliseconds(1);

    /// <summary>Returns when all are confirmed by the broker.</summary>
    /// <returns>The instant at which each was meant to be sent.</returns>
    public static async Task<ImmutableArray<DateTimeOffset>> PublishAsync(
        LoadSite site, ImmutableArray<ClinicMessage> messages, double perSecond, CancellationToken cancellationToken)
    {
        await using IChannel channel = await site.Broker.ChannelAsync(cancellationToken);
        DateTimeOffset first = TimeProvider.System.GetUtcNow();
        long start = Stopwatch.GetTimestamp();
        List<Task> confirmed = [];
        int next = 0;
        while (next < messages.Length)
        {
            int due = Math.Min(messages.Length, (int)(Stopwatch.GetElapsedTime(start).TotalSeconds * perSecond) + 1);
            for (; next < due; next++)
            {
                ClinicMessage message = messages[next];
                confirmed.Add(LoadBroker.PublishAsync(channel, Messaging.Exchange, message.Type, message.Body, cancellationToken).AsTask());
            }

            await Task.Delay(Tick, cancellationToken);
        }

        await Task.WhenAll(confirmed);
        return [.. messages.Select((_, i) => first + TimeSpan.FromSeconds(i / perSecond))];
    }
}
