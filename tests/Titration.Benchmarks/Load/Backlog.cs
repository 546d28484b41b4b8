using System.Collections.Immutable;
using System.Diagnostics;
using RabbitMQ.Client;
using Titration.TestKit;
using Titration.Worker.Hosting;

namespace Titration.Benchmarks.Load;

/// <summary>Messages pile up at the broker while the workers stand still; then they are taken in as fast as it goes.</summary>
internal static class Backlog
{
    /// <summary>Between two questions to the broker.</summary>
    private static readonly TimeSpan Shortest = TimeSpan.FromMilliseconds(20);
    private static readonly TimeSpan Longest = TimeSpan.FromSeconds(1);

    /// <summary>Takes a backlog in, and returns how many messages a second were committed.</summary>
    /// <param name="site">Where.</param>
    /// <param name="workers">Who.</param>
    /// <param name="messages">One to a patient of the caseload, in the order of their ids.</param>
    /// <param name="cancellationToken">Ends it.</param>
    public static async Task<double> RateAsync(LoadSite site, ImmutableArray<ClinicWorker> workers, ImmutableArray<ClinicMessage> messages, CancellationToken cancellationToken)
    {
        long wanted = await FactsAsync(site, messages, cancellationToken) + messages.Length;
        await Task.WhenAll(workers.Select(w => w.PauseAsync()));
        await site.Broker.PublishAsync(messages, cancellationToken);
        long start = Stopwatch.GetTimestamp();
        await Task.WhenAll(workers.Select(w => w.GoOnAsync()));
        await EmptyAsync(site, workers, cancellationToken);
        await Eventually.HoldsAsync("every message's fact", async () => await FactsAsync(site, messages, cancellationToken) == wanted, cancellationToken);
        return messages.Length / Stopwatch.GetElapsedTime(start).TotalSeconds;
    }

    /// <summary>
    /// Waits until nothing is left at the broker. Each question is work for it, and a hundred a second cost the service a fifth of its rate: it is asked again when
    /// half of what is left may have gone, but at the latest when it has waited twice as long, since what goes in the first moments says little of the rest. The database
    /// is asked only when the broker has nothing left.
    /// </summary>
    public static async Task EmptyAsync(LoadSite site, ImmutableArray<ClinicWorker> workers, CancellationToken cancellationToken)
    {
        await using IChannel channel = await site.Broker.ChannelAsync(cancellationToken);
        long start = Stopwatch.GetTimestamp();
        uint first = 0;
        while (await LoadBroker.DepthAsync(channel, Messaging.Queue, cancellationToken) is > 0 and uint left)
        {
            foreach (ClinicWorker worker in workers)
            {
                worker.RequireAlive();
            }

            first = Math.Max(first, left);
            TimeSpan waited = Stopwatch.GetElapsedTime(start);
            TimeSpan half = first > left ? waited * (left / 2d / (first - left)) : Shortest;
            TimeSpan next = new[] { half, waited, Longest }.Min();
            await Task.Delay(next > Shortest ? next : Shortest, cancellationToken);
        }
    }

    /// <summary>Facts of the patients of these messages, whoever brought them.</summary>
    public static Task<long> FactsAsync(LoadSite site, ImmutableArray<ClinicMessage> messages, CancellationToken cancellationToken)
    {
        string from = messages[0].Patient, to = messages[^1].Patient;
        return site.CountAsync($"""SELECT COALESCE(sum(next_fact_sequence - 1), 0)::bigint AS "Value" FROM patient WHERE id >= {from} AND id <= {to}""", cancellationToken);
    }
}
