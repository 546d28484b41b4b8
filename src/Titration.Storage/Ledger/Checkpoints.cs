using Microsoft.EntityFrameworkCore;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>A checkpoint with the ends that it seals.</summary>
public sealed record Checkpoint(CheckpointRow Row, IReadOnlyList<CheckpointHeadRow> Heads);

/// <summary>Clinic-wide seals over the ends of all chains of decisions and facts. Each holds what has changed since the one before.</summary>
public static class Checkpoints
{
    /// <summary>Chains that one checkpoint seals at most: after a backfill all have grown at once, and they are not to be in memory together.</summary>
    public const int Most = 10_000;

    /// <summary>Seals the ends of the chains that have grown, <see cref="Most"/> at most: where it seals so many, the next one goes on. Null where none has.</summary>
    /// <param name="database">The database.</param>
    /// <param name="at">Now.</param>
    /// <param name="sign">Signs the root hash; null where the clinic has no key.</param>
    /// <param name="cancellationToken">Ends it before anything is sealed.</param>
    public static async Task<CheckpointRow?> TakeCheckpointAsync(
        this TitrationDbContext database, DateTimeOffset at, Func<byte[], byte[]>? sign, CancellationToken cancellationToken)
    {
        CheckpointRow? last = await database.Checkpoints.AsNoTracking().OrderByDescending(c => c.Id).FirstOrDefaultAsync(cancellationToken);
        long id = (last?.Id ?? 0) + 1;

        // One statement: what is committed meanwhile is sealed by the next one.
        var grown = await database.Chains
            .Where(c => (c.Length > 0 || c.Facts > 0) && !database.CheckpointHeads.Any(h => h.ChainId == c.Id && h.Length == c.Length && h.Facts == c.Facts))
            .OrderBy(c => c.Id)
            .Take(Most)
            .Select(c => new
            {
                Head = new CheckpointHeadRow { ChainId = c.Id, Length = c.Length, Head = c.Head, Facts = c.Facts, FactHead = c.FactHead, CheckpointId = id },
                Decisions = database.CheckpointHeads.Where(h => h.ChainId == c.Id).Max(h => (long?)h.Length) ?? 0,
                Facts = database.CheckpointHeads.Where(h => h.ChainId == c.Id).Max(h => (long?)h.Facts) ?? 0,
            })
            .ToListAsync(cancellationToken);
        if (grown.Count == 0)
        {
            return null;
        }

        long decisions = (last?.Decisions ?? 0) + grown.Sum(g => g.Head.Length - g.Decisions);
        long facts = (last?.Facts ?? 0) + grown.Sum(g => g.Head.Facts - g.Facts);
        byte[] root = RootOf(last?.RootHash, id, at, decisions, facts, grown.Select(g => g.Head));
        CheckpointRow checkpoint = new() { Id = id, At = at.Cut(), RootHash = root, Signature = sign?.Invoke(root), Decisions = decisions, Facts = facts };
        database.Checkpoints.Add(checkpoint);
        database.CheckpointHeads.AddRange(grown.Select(g => g.Head));
        await database.SaveChangesAsync(cancellationToken);
        database.ChangeTracker.Clear();
        return checkpoint;
    }

    /// <summary>A checkpoint with its ends; null where there is none of this number.</summary>
    public static async Task<Checkpoint?> CheckpointAsync(this TitrationDbContext database, long id, CancellationToken cancellationToken)
    {
        CheckpointRow? row = await database.Checkpoints.AsNoTracking().FirstOrDefaultAsync(c => c.Id == id, cancellationToken);
        return row is null
            ? null
            : new Checkpoint(row, await database.CheckpointHeads.AsNoTracking().Where(h => h.CheckpointId == id).ToListAsync(cancellationToken));
    }

    /// <summary>When the oldest checkpoint was taken that has not reached the folder; null: all have. A folder that cannot be read has none.</summary>
    public static async Task<DateTimeOffset?> UnexportedSinceAsync(this TitrationDbContext database, CheckpointFolder folder, CancellationToken cancellationToken)
    {
        long newest = await database.Checkpoints.MaxAsync(c => (long?)c.Id, cancellationToken) ?? 0;
        if (newest == 0 || folder.Has(newest))
        {
            return null;
        }

        long exported = folder.Newest();
        return await database.Checkpoints.Where(c => c.Id > exported).MinAsync(c => (DateTimeOffset?)c.At, cancellationToken);
    }

    /// <summary>
    /// The root: SHA-256 over the previous root (32 zero bytes before the first), id (8), Unix milliseconds (8), decisions (8), facts (8), and for each
    /// grown chain, by the order of its id's text, chain id (16), length (8), head (32), facts (8), fact head (32). Integers are big-endian.
    /// </summary>
    public static byte[] RootOf(byte[]? previousRoot, long id, DateTimeOffset at, long decisions, long facts, IEnumerable<CheckpointHeadRow> heads)
    {
        using HashInput input = new();
        input.Fixed(previousRoot ?? new byte[DecisionChain.SaltLength]).Number(id).Instant(at).Number(decisions).Number(facts);
        foreach (CheckpointHeadRow head in heads.OrderBy(h => h.ChainId.ToString("N"), StringComparer.Ordinal))
        {
            input.Id(head.ChainId).Number(head.Length).Fixed(head.Head).Number(head.Facts).Fixed(head.FactHead);
        }

        return input.Hash();
    }
}
