using System.Collections.Concurrent;
using System.Collections.Immutable;
using System.Diagnostics;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Communications;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using Titration.Worker.Hosting;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Delivery;

/// <summary>
/// Takes entries from the outbox and brings the FHIR server to what should stand there. Every write can be repeated: creating is
/// conditional on the identifier, changing on the version.
/// </summary>
public sealed partial class OutboxSender(
    IDbContextFactory<TitrationDbContext> contexts, Settings settings, Holding holding, CommunicationDelivery delivery, TimeProvider time, Timing timing,
    TitrationTelemetry telemetry, ILogger<OutboxSender> logger)
{
    private const int Batch = 20;

    /// <summary>
    /// Sent at a time, since each waits for the server several times. What has to leave in an order is never claimed together (<see cref="OutboxQueries.ClaimAsync"/>).
    /// </summary>
    private readonly int _atOnce = settings.Database.AtOnce(4);

    /// <summary>Claimed and not yet dealt with, by number.</summary>
    private readonly ConcurrentDictionary<long, OutboxRow> _unfinished = new();

    /// <summary>Sends what can be sent now. One caller at a time.</summary>
    /// <returns>How many entries were claimed; 0: nothing is waiting.</returns>
    public async Task<int> SendAsync(CancellationToken cancellationToken)
    {
        await GiveBackAsync(cancellationToken);
        ImmutableArray<OutboxRow> entries;
        await using (TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken))
        {
            OperatingMode mode = await database.ModeAsync(cancellationToken);
            entries = mode == OperatingMode.Shadow
                ? []
                : await database.ClaimAsync(time.GetUtcNow(), timing.Lease, Batch, onlySafety: mode == OperatingMode.Paused, cancellationToken);
        }

        foreach (OutboxRow entry in entries)
        {
            _unfinished[entry.Id] = entry;
        }

        using CancellationTokenSource done = CancellationTokenSource.CreateLinkedTokenSource(cancellationToken);
        Task prolonging = entries.IsEmpty ? Task.CompletedTask : ProlongAsync(done.Token);
        try
        {
            await Parallel.ForEachAsync(entries, new ParallelOptions { MaxDegreeOfParallelism = _atOnce, CancellationToken = cancellationToken }, async (entry, cancelled) =>
            {
                await SendOrBuryAsync(entry, cancelled);
                _unfinished.TryRemove(entry.Id, out _);
            });
        }
        finally
        {
            await done.CancelAsync();
            await prolonging;
        }

        return entries.Length;
    }

    private async Task SendOrBuryAsync(OutboxRow entry, CancellationToken cancellationToken)
    {
        try
        {
            await SendAsync(entry, cancellationToken);
        }
        catch (Exception defect) when (defect is not OperationCanceledException && !Infrastructure.IsTrouble(defect))
        {
            // A defect of ours must not hold up the rest: the entry is a dead letter, and somebody is told.
            string problem = defect.GetType().Name;
            Log.Defect(logger, entry.Kind, problem);
            await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
            await database.BuryAsync(entry, $"defect {problem}", cancellationToken);
        }
    }

    /// <summary>Keeps the leases of what is not done yet, until it is told to stop.</summary>
    private async Task ProlongAsync(CancellationToken cancellationToken)
    {
        using PeriodicTimer timer = new(timing.Lease / 4, time);
        try
        {
            while (await timer.WaitForNextTickAsync(cancellationToken))
            {
                try
                {
                    await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
                    await database.ProlongAsync([.. _unfinished.Values], time.GetUtcNow(), timing.Lease, cancellationToken);
                }
                catch (Exception problem) when (Infrastructure.IsTrouble(problem))
                {
                    // Another may take over; every write can be repeated, and the fence tells us.
                    Log.NotProlonged(logger, problem);
                }
            }
        }
        catch (OperationCanceledException)
        {
            // Done.
        }
    }

    /// <summary>
    /// Gives back what was claimed when the sending was interrupted, by a stop or by trouble with the database: what is urgent must not wait until
    /// the lease runs out.
    /// </summary>
    public async Task GiveBackAsync(CancellationToken cancellationToken)
    {
        foreach (OutboxRow entry in _unfinished.Values)
        {
            await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
            await database.GiveBackAsync(entry, time.GetUtcNow(), TimeSpan.Zero, "interrupted", cancellationToken);
            _unfinished.TryRemove(entry.Id, out _);
        }
    }

    private async Task SendAsync(OutboxRow entry, CancellationToken cancellationToken)
    {
        using Activity? activity = telemetry.Deliver(entry);
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        // Once for all the queries of an entry.
        await database.Database.OpenConnectionAsync(cancellationToken);
        DateTimeOffset now = time.GetUtcNow();
        if (entry.Paced && await holding.UntilAsync(database, entry, now, cancellationToken) is { } later)
        {
            await database.GiveBackAsync(entry, now, later - now, "held-back", cancellationToken);
            return;
        }

        Delivered delivered = entry.Action switch
        {
            OutboxAction.Issue => await delivery.IssueAsync(database, entry, cancellationToken),
            OutboxAction.Withdraw => await delivery.WithdrawAsync(database, entry, cancellationToken),
            OutboxAction.Activate => await delivery.ActivateAsync(database, entry, cancellationToken),
            OutboxAction.HandOver => await delivery.HandOverAsync(database, entry, cancellationToken),
        };
        activity?.SetTag("titration.result", delivered.Result);
        telemetry.Sent(entry.Action.Code(), delivered.Result);
        switch (delivered.Trouble)
        {
            case null when delivered.Dropped:
                await database.DropAsync(entry, "grounds-gone", cancellationToken);
                break;
            case null:
                await database.CompleteAsync(entry, delivered.Held, time.GetUtcNow(), cancellationToken);
                break;
            case ServerAnswer.Refused refused:
                Log.Refused(logger, entry.Kind.Code(), refused.Status, refused.IssueCodes);
                await database.KeepSentAsync(entry, delivered.Held, cancellationToken);
                await database.BuryAsync(entry, $"http-{refused.Status} {refused.IssueCodes}".Trim(), cancellationToken);
                break;
            default:
                await database.KeepSentAsync(entry, delivered.Held, cancellationToken);
                await database.GiveBackAsync(entry, time.GetUtcNow(), WaitOf(delivered.Trouble, entry), delivered.Result, cancellationToken);
                break;
        }
    }

    /// <summary>What the server asked for, else longer with each attempt.</summary>
    private TimeSpan WaitOf(ServerAnswer trouble, OutboxRow entry)
    {
        TimeSpan longest = entry.Rank == 0 ? timing.LongestStatRedelivery : timing.LongestRedelivery;
        TimeSpan doubled = timing.Redelivery * Math.Pow(2, Math.Min(entry.Attempts - 1, 10));
        TimeSpan own = doubled < longest ? doubled : longest;
        return trouble switch
        {
            ServerAnswer.Unavailable { RetryAfter: { } asked } => asked,
            ServerAnswer.Conflict => TimeSpan.Zero,
            _ => own,
        };
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 3005, Level = LogLevel.Warning, Message = "The leases of what is being sent could not be prolonged.")]
        public static partial void NotProlonged(ILogger logger, Exception problem);

        [LoggerMessage(EventId = 3001, Level = LogLevel.Error, Message = "The FHIR server refused a {Kind} for good: HTTP {Status} {IssueCodes}. It is kept as a dead letter.")]
        public static partial void Refused(ILogger logger, string kind, int status, string issueCodes);

        [LoggerMessage(EventId = 3004, Level = LogLevel.Critical, Message = "A {Kind} could not be written ({Problem}). It is kept as a dead letter; this is a defect to report.")]
        public static partial void Defect(ILogger logger, CommunicationKind kind, string problem);
    }
}

/// <summary>Sends as long as the service runs.</summary>
public sealed partial class OutboxDelivery(OutboxSender sender, OutboxSignal signal, TimeProvider time, Timing timing, ILogger<OutboxDelivery> logger) : BackgroundService
{
    protected override async Task ExecuteAsync(CancellationToken stoppingToken)
    {
        while (!stoppingToken.IsCancellationRequested)
        {
            int sent = 0;
            try
            {
                sent = await sender.SendAsync(stoppingToken);
            }
            catch (Exception problem) when (problem is not OperationCanceledException)
            {
                // What was claimed is given back with the next attempt; nothing was acknowledged.
                Log.Failed(logger, problem);
            }

            if (sent == 0)
            {
                await signal.WaitAsync(timing.OutboxIdle, time, stoppingToken);
            }
        }
    }

    /// <inheritdoc/>
    public override async Task StopAsync(CancellationToken cancellationToken)
    {
        await base.StopAsync(cancellationToken);
        try
        {
            await sender.GiveBackAsync(cancellationToken);
        }
        catch (Exception problem) when (Infrastructure.IsTrouble(problem))
        {
            // The leases run out by themselves.
            Log.Failed(logger, problem);
        }
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 3003, Level = LogLevel.Error, Message = "Delivery failed; it goes on with the next attempt.")]
        public static partial void Failed(ILogger logger, Exception problem);
    }
}
