using System.Collections.Immutable;
using System.Runtime.CompilerServices;
using Microsoft.EntityFrameworkCore;
using Quartz;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Worker.Configuration;
using Titration.Worker.Delivery;
using Titration.Worker.Hosting;

namespace Titration.Worker.Deciding;

/// <summary>
/// Looks at every patient whose next look has come. Leased for the time of the sweep: two that look at one patient after all decide the same once.
/// </summary>
public sealed partial class DueSweep(
    IDbContextFactory<TitrationDbContext> contexts, Settings settings, PatientDecisions decisions, PolicyGate policy, TimeProvider time, Timing timing, ILogger<DueSweep> logger)
{
    private const int Batch = 100;

    /// <summary>Transactions at a time: one is decided while the other waits for the database.</summary>
    private readonly int _atOnce = settings.Database.AtOnce(2);

    /// <summary>
    /// One sweep, until nothing is due. A patient that fails stays leased and comes again later; the others go on.
    /// </summary>
    /// <returns>How many were looked at.</returns>
    public async Task<int> RunAsync(CancellationToken cancellationToken)
    {
        int looked = 0;
        if (await policy.ProblemAsync(cancellationToken) is not null)
        {
            return looked;
        }

        await Parallel.ForEachAsync(
            DueAsync(cancellationToken), new ParallelOptions { MaxDegreeOfParallelism = _atOnce, CancellationToken = cancellationToken },
            async (due, cancelled) => Interlocked.Add(ref looked, await LookAsync(due, cancelled)));
        return looked;
    }

    /// <summary>Claims, a batch at a time, until nothing is due.</summary>
    private async IAsyncEnumerable<ImmutableArray<string>> DueAsync([EnumeratorCancellation] CancellationToken cancellationToken)
    {
        while (true)
        {
            ImmutableArray<string> due;
            await using (TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken))
            {
                due = await database.DueAsync(time.GetUtcNow(), timing.Lease, Batch, cancellationToken);
            }

            if (due.IsEmpty)
            {
                yield break;
            }

            yield return due;
        }
    }

    /// <summary>All in one transaction; where that fails, each in one of its own, so that only the one that is the reason is left out.</summary>
    /// <returns>How many were looked at.</returns>
    private async Task<int> LookAsync(ImmutableArray<string> patients, CancellationToken cancellationToken)
    {
        try
        {
            await decisions.LookAsync(patients, cancellationToken);
            return patients.Length;
        }
        catch (Exception problem) when (problem is not OperationCanceledException)
        {
            if (patients.Length == 1)
            {
                Log.LookFailed(logger, problem);
                return 0;
            }

            int looked = 0;
            foreach (string patient in patients)
            {
                looked += await LookAsync([patient], cancellationToken);
            }

            return looked;
        }
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 2001, Level = LogLevel.Error, Message = "A due patient could not be looked at; it is tried again when its lease ends.")]
        public static partial void LookFailed(ILogger logger, Exception problem);
    }
}

/// <summary>A sweep at a time, on one node of a cluster, and after it what the pool has left unanswered.</summary>
[DisallowConcurrentExecution]
public sealed class EvaluateDueCoursesJob(DueSweep sweep, OverdueDigest digest) : IJob
{
    public async ValueTask Execute(IJobExecutionContext context, CancellationToken cancellationToken = default)
    {
        await sweep.RunAsync(cancellationToken);
        await digest.RunAsync(cancellationToken);
    }
}
