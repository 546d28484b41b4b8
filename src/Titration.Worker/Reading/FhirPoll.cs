using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Quartz;
using Titration.Fhir.Reading;
using Titration.Storage;
using Titration.Storage.Intake;
using Titration.Worker.Configuration;
using Titration.Worker.Hosting;
using Titration.Worker.Intake;

namespace Titration.Worker.Reading;

/// <summary>
/// Takes in what has changed on the FHIR server since the last look, for a server that sends no messages and has no subscriptions. It starts where a backfill
/// has ended, else now. How far it has come stands in the database; a window overlaps the one before, because a server may show a change after its time.
/// </summary>
internal sealed partial class FhirPoll(
    WindowReader windows, ResourceSorter sorter, IntakeHandler intake, IDbContextFactory<TitrationDbContext> contexts, TimeProvider time, ILogger<FhirPoll> logger)
{
    private const string Purpose = "poll";

    private static readonly TimeSpan Overlap = TimeSpan.FromMinutes(2);
    private static readonly TimeSpan Ahead = TimeSpan.FromMinutes(1);

    /// <summary>
    /// One look. All of a patient's changes are taken in together, whatever their types: nothing is to be decided by an order alone whose check-ins came with
    /// it. Where the server cannot be asked, the next look goes on at the same place.
    /// </summary>
    public async Task RunAsync(CancellationToken cancellationToken)
    {
        DateTimeOffset now = time.GetUtcNow();
        List<SortedResource> changed = [];
        List<string> read = [];
        foreach (string type in Backfill.Types)
        {
            try
            {
                await ReadAsync(type, now, changed, cancellationToken);
                read.Add(type);
            }
            catch (FhirSearchException problem)
            {
                Log.CannotSearch(logger, type, problem.Message);
            }
        }

        bool allTaken = true;
        foreach (IGrouping<string, SortedResource> patient in changed.GroupBy(r => r.Patient, StringComparer.Ordinal))
        {
            allTaken &= await TakeInAsync([.. patient], cancellationToken);
        }

        // What failed is read again with the next look.
        if (allTaken)
        {
            await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
            foreach (string type in read)
            {
                await database.KeepReadUntilAsync(Purpose, type, now, cancellationToken);
            }
        }
    }

    private async Task ReadAsync(string type, DateTimeOffset now, List<SortedResource> changed, CancellationToken cancellationToken)
    {
        DateTimeOffset from;
        await using (TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken))
        {
            from = await database.ReadUntilAsync(Purpose, type, cancellationToken) ?? await database.ReadUntilAsync(Backfill.Purpose, type, cancellationToken) ?? now;
        }

        WindowSink sink = new(
            _ => { },
            async (page, token) =>
            {
                ImmutableArray<SortedResource>.Builder sorted = ImmutableArray.CreateBuilder<SortedResource>(page.Resources.Length);
                foreach (ReadOnlyMemory<byte> resource in page.Resources)
                {
                    sorted.Add(await sorter.SortAsync(resource, token));
                }

                changed.AddRange(await NewAsync(sorted.MoveToImmutable(), token));
            },
            (_, _) => Task.CompletedTask);
        await windows.ReadAsync(type, from - Overlap, now + Ahead, pageSize: 100, patience: TimeSpan.Zero, sink, cancellationToken);
    }

    private async Task<bool> TakeInAsync(ImmutableArray<SortedResource> resources, CancellationToken cancellationToken)
    {
        try
        {
            await intake.HandleAsync(
                [.. resources.Select(r => (ReadOnlyMemory<byte>)SortedResource.Message(r.Bytes.ToArray(), r.Medication))], Purpose, traceParent: null, alongside: null, cancellationToken);
            return true;
        }
        catch (Exception defect) when (defect is not OperationCanceledException && !Infrastructure.IsTrouble(defect))
        {
            // One patient's defect must not keep the others from being looked at.
            Log.Defect(logger, defect.GetType().Name);
            return false;
        }
    }

    /// <summary>Without what is known in just this version, as the overlap brings it again, and without what says nothing of a titration.</summary>
    private async Task<ImmutableArray<SortedResource>> NewAsync(ImmutableArray<SortedResource> resources, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        Dictionary<string, string> known = await Backfill.KnownAsync(database, resources, cancellationToken);
        ImmutableArray<SortedResource>.Builder fresh = ImmutableArray.CreateBuilder<SortedResource>();
        foreach (SortedResource resource in resources.Where(r => Backfill.IsOfUse(r, known)))
        {
            if (resource.Reading is ResourceReading.Own && await Backfill.OwnerOfAsync(database, resource, cancellationToken) is null)
            {
                continue;
            }

            if (resource.Reading is not ResourceReading.Understood { Fact.Source: var source }
                || !await database.Facts.AnyAsync(f => f.ResourceType == source.Type && f.ResourceId == source.Id && f.ContentHash == source.ContentHash && f.VersionId == (source.VersionId ?? ""), cancellationToken))
            {
                fresh.Add(resource);
            }
        }

        return fresh.DrainToImmutable();
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 4001, Level = LogLevel.Error, Message = "{ResourceType} could not be polled: {Problem}. The next look goes on at the same place.")]
        public static partial void CannotSearch(ILogger logger, string resourceType, string problem);

        [LoggerMessage(EventId = 4002, Level = LogLevel.Error, Message = "What was polled of one patient could not be taken in ({Problem}); it is tried again with the next look.")]
        public static partial void Defect(ILogger logger, string problem);
    }
}

/// <summary>A look at the FHIR server, on one node of a cluster at a time.</summary>
[DisallowConcurrentExecution]
internal sealed class PollFhirServerJob(FhirPoll poll, Settings settings) : IJob
{
    public async ValueTask Execute(IJobExecutionContext context, CancellationToken cancellationToken = default)
    {
        // A trigger of earlier settings may still stand in the database.
        if (settings.Options.FhirServer.PollSeconds > 0)
        {
            await poll.RunAsync(cancellationToken);
        }
    }
}
