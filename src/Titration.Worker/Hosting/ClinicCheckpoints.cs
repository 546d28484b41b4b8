using Microsoft.EntityFrameworkCore;
using Quartz;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Worker.Configuration;

namespace Titration.Worker.Hosting;

/// <summary>Seals the ledger: a checkpoint into the database, into a folder outside of it, and its hash into the log.</summary>
public sealed partial class ClinicCheckpoints(
    IDbContextFactory<TitrationDbContext> contexts, Settings settings, TimeProvider time, ILogger<ClinicCheckpoints> logger)
{
    /// <summary>Takes a checkpoint where anything has changed, and exports what has not left yet: a folder that was away is made up for.</summary>
    public async Task RunAsync(CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        LedgerKey? key = settings.Ledger.Key;
        while (await database.TakeCheckpointAsync(time.GetUtcNow(), key is null ? null : key.Sign, cancellationToken) is { } taken)
        {
            string root = Convert.ToHexStringLower(taken.RootHash);
            Log.Sealed(logger, taken.Id, taken.Decisions, taken.Facts, root, key is null ? "unsigned" : $"signed by {key.Fingerprint[..16]}");
            if (await database.CheckpointHeads.CountAsync(h => h.CheckpointId == taken.Id, cancellationToken) < Checkpoints.Most)
            {
                break;
            }
        }

        try
        {
            await ExportAsync(database, cancellationToken);
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            Log.NotExported(logger, problem.GetType().Name);
        }
    }

    private async Task ExportAsync(TitrationDbContext database, CancellationToken cancellationToken)
    {
        CheckpointFolder folder = settings.Ledger.Folder;
        IReadOnlyList<long> numbers = folder.Numbers();
        long exported = numbers.Count == 0 ? 0 : numbers[^1];
        byte[]? previous = (await database.CheckpointAsync(exported, cancellationToken))?.Row.RootHash;
        while (await database.CheckpointAsync(exported + 1, cancellationToken) is { } next)
        {
            await folder.WriteAsync(next, previous, cancellationToken);
            previous = next.Row.RootHash;
            exported++;
        }

        if (exported > 0 && settings.Ledger.Key is { } key)
        {
            await folder.WriteKeyAsync(key, cancellationToken);
        }
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 1501, Level = LogLevel.Information, Message = "Checkpoint {Checkpoint} seals {Decisions} decisions and {Facts} facts: {Root}, {Signature}.")]
        public static partial void Sealed(ILogger logger, long checkpoint, long decisions, long facts, string root, string signature);

        [LoggerMessage(EventId = 1502, Level = LogLevel.Error, Message = "Checkpoints could not be written to Titration__Ledger__CheckpointFolder ({Problem}); it is tried again with the next one.")]
        public static partial void NotExported(ILogger logger, string problem);
    }
}

/// <summary>A checkpoint at a time, on one node of a cluster.</summary>
[DisallowConcurrentExecution]
public sealed class TakeCheckpointJob(ClinicCheckpoints checkpoints) : IJob
{
    public async ValueTask Execute(IJobExecutionContext context, CancellationToken cancellationToken = default) => await checkpoints.RunAsync(cancellationToken);
}
