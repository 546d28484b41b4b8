using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Intake;
using Titration.Storage.Model;
using Titration.Worker.Deciding;
using Titration.Worker.Hosting;

namespace Titration.Worker.Intake;

/// <summary>
/// Tries again what waits for the FHIR server to answer, or for a code to be mapped, and what somebody wants to be read again from quarantine.
/// </summary>
public sealed partial class WaitingRetry(
    IDbContextFactory<TitrationDbContext> contexts, IntakeHandler intake, PolicyGate policy, TimeProvider time, ILogger<WaitingRetry> logger)
{
    private const int Batch = 100;
    private static readonly TimeSpan LongestWait = TimeSpan.FromHours(1);

    /// <summary>A deletion waits for so long for what it deletes: most are of resources that were never of any use here.</summary>
    private static readonly TimeSpan LongestOvertaking = TimeSpan.FromHours(24);

    /// <summary>Stands before the reference of a deletion that waits for what it deletes.</summary>
    internal const string DeletedPrefix = "deleted ";

    /// <summary>What no mapping knew is due again: the mapping is read at the start of a process, and this one may know more.</summary>
    public async Task ReadUnmappedAgainAsync(CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        await database.ReadUnmappedAgainAsync(time.GetUtcNow(), cancellationToken);
    }

    /// <summary>One round over what is due.</summary>
    /// <returns>How many were taken in.</returns>
    public async Task<int> RunAsync(CancellationToken cancellationToken) => await policy.ProblemAsync(cancellationToken) is null
        ? await RetryQuarantinedAsync(cancellationToken) + await RetryWaitingAsync(cancellationToken)
        : 0;

    /// <summary>
    /// Reads again what was asked for. The state changes after the facts are committed: killed between, the next round reads once more, and
    /// facts that are known change nothing.
    /// </summary>
    private async Task<int> RetryQuarantinedAsync(CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        List<QuarantineRow> wanted = await database.Quarantine.ToRetry().Take(Batch).ToListAsync(cancellationToken);
        int taken = 0;
        foreach (QuarantineRow row in wanted)
        {
            try
            {
                ImmutableArray<IntakeResult> results = await intake.HandleAsync(row.Content, QuarantineQueries.Retry, traceParent: null, alongside: null, cancellationToken);
                taken += await database.MarkRetriedAsync(row.Id, time.GetUtcNow(), cancellationToken) ? 1 : 0;
                if (results.Any(r => r.LeftOut))
                {
                    // What is an erased patient's is not kept, and what is others' was taken in or has an entry of its own.
                    await database.RemoveFromQuarantineAsync(row.Id, cancellationToken);
                }
            }
            catch (Exception defect) when (defect is not OperationCanceledException && !Infrastructure.IsTrouble(defect))
            {
                // One that always fails must not keep the others from their turn.
                await database.HoldAgainAsync(row.Id, $"Reading it again failed ({defect.GetType().Name}).", cancellationToken);
            }
        }

        return taken;
    }

    private async Task<int> RetryWaitingAsync(CancellationToken cancellationToken)
    {
        List<WaitingRow> due;
        await using (TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken))
        {
            due = await database.Waiting.DueAt(time.GetUtcNow()).Take(Batch).ToListAsync(cancellationToken);
        }

        int taken = 0;
        foreach (WaitingRow row in due)
        {
            taken += await RetryAsync(row, cancellationToken) ? 1 : 0;
        }

        return taken;
    }

    private async Task<bool> RetryAsync(WaitingRow row, CancellationToken cancellationToken)
    {
        try
        {
            ImmutableArray<IntakeResult> results = await intake.HandleAsync(
                row.Content, "waiting", row.TraceParent, database => database.EndWaitingAsync(row.Id, CancellationToken.None), cancellationToken);
            bool stillWaits = results.Any(r => r.Waits);
            if (stillWaits && row.Wanted.Contains($"\"{DeletedPrefix}", StringComparison.Ordinal) && time.GetUtcNow() - row.ReceivedAt > LongestOvertaking)
            {
                await EndAsync(row, cancellationToken);
            }
            else if (stillWaits)
            {
                await PostponeAsync(row, cancellationToken);
            }

            return !stillWaits;
        }
        catch (Exception defect) when (defect is not OperationCanceledException && !Infrastructure.IsTrouble(defect))
        {
            // One that always fails must not keep the others from their turn.
            Log.Defect(logger, defect);
            await PostponeAsync(row, cancellationToken);
            return false;
        }
    }

    private async Task EndAsync(WaitingRow row, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        await database.EndWaitingAsync(row.Id, cancellationToken);
    }

    // Taken in again it waits anew, under the same content: only its next attempt moves further out.
    private async Task PostponeAsync(WaitingRow row, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        TimeSpan wait = TimeSpan.FromMinutes(Math.Min(Math.Pow(2, Math.Min(row.Attempts + 1, 10)), LongestWait.TotalMinutes));
        WaitingRow? again = await database.Waiting.FirstOrDefaultAsync(w => w.ContentHash == row.ContentHash, cancellationToken);
        if (again is not null)
        {
            // Nothing but another mapping helps what is not mapped.
            DateTimeOffset? next = again.Reason == WaitingReason.Unmapped ? null : time.GetUtcNow() + wait;
            await database.PostponeWaitingAsync(again.Id, next, cancellationToken);
        }
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 1102, Level = LogLevel.Error, Message = "A waiting resource could not be taken in; it waits longer. This is a defect to report.")]
        public static partial void Defect(ILogger logger, Exception problem);
    }
}
