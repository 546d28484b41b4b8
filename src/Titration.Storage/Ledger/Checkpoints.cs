using System.Buffers.Binary;
using System.Security.Cryptography;
using Microsoft.EntityFrameworkCore;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>A checkpoint that does not hold.</summary>
/// <param name="Checkpoint">Its number.</param>
/// <param name="ChainId">The chain whose sealed end is not in the ledger; null where the checkpoint itself was changed.</param>
public sealed record CheckpointBreak(long Checkpoint, Guid? ChainId);

/// <summary>Clinic-wide seals over the ends of all chains. Each costs what has changed since the one before.</summary>
public static class Checkpoints
{
    /// <summary>Seals the ends of all chains that have grown. Null where none has.</summary>
    /// <param name="database">The database.</param>
    /// <param name="at">Now.</param>
    /// <param name="sign">Signs the root hash; null where the clinic has no key.</param>
    /// <param name="cancellationToken">Ends it before anything is sealed.</param>
    public static async Task<CheckpointRow?> TakeCheckpointAsync(
        this TitrationDbContext database, DateTimeOffset at, Func<byte[], byte[]>? sign, CancellationToken cancellationToken)
    {
        CheckpointRow? last = await database.Checkpoints.AsNoTracking().OrderByDescending(c => c.Id).FirstOrDefaultAsync(cancellationToken);
        var grown = await database.Chains
            .Where(c => c.Length > 0 && !database.CheckpointHeads.Any(h => h.ChainId == c.Id && h.Length == c.Length))
            .Select(c => new { c.Id, c.Length, c.Head, Before = database.CheckpointHeads.Where(h => h.ChainId == c.Id).Max(h => (long?)h.Length) ?? 0 })
            .ToListAsync(cancellationToken);
        if (grown.Count == 0)
        {
            return null;
        }

        long id = (last?.Id ?? 0) + 1;
        List<CheckpointHeadRow> heads =
            [.. grown.Select(c => new CheckpointHeadRow { ChainId = c.Id, Length = c.Length, Head = c.Head, CheckpointId = id })];
        long decisions = (last?.Decisions ?? 0) + grown.Sum(c => c.Length - c.Before);
        byte[] root = RootOf(last?.RootHash, id, at, decisions, heads);
        CheckpointRow checkpoint = new() { Id = id, At = at.Cut(), RootHash = root, Signature = sign?.Invoke(root), Decisions = decisions };
        database.Checkpoints.Add(checkpoint);
        database.CheckpointHeads.AddRange(heads);
        await database.SaveChangesAsync(cancellationToken);
        database.ChangeTracker.Clear();
        return checkpoint;
    }

    /// <summary>The first checkpoint that does not hold; null where all do. Signatures are the caller's to check.</summary>
    public static async Task<CheckpointBreak?> VerifyCheckpointsAsync(this TitrationDbContext database, CancellationToken cancellationToken)
    {
        byte[]? previous = null;
        long expected = 1;
        foreach (CheckpointRow checkpoint in await database.Checkpoints.AsNoTracking().OrderBy(c => c.Id).ToListAsync(cancellationToken))
        {
            List<CheckpointHeadRow> heads = await database.CheckpointHeads.AsNoTracking()
                .Where(h => h.CheckpointId == checkpoint.Id).ToListAsync(cancellationToken);
            byte[] root = RootOf(previous, expected, checkpoint.At, checkpoint.Decisions, heads);
            if (checkpoint.Id != expected || !root.AsSpan().SequenceEqual(checkpoint.RootHash))
            {
                return new CheckpointBreak(expected, null);
            }

            if (await FirstUnkeptAsync(database, checkpoint.Id, cancellationToken) is { } chain)
            {
                return new CheckpointBreak(expected, chain);
            }

            previous = checkpoint.RootHash;
            expected++;
        }

        return null;
    }

    /// <summary>
    /// The root: SHA-256 over the previous root (32 zero bytes before the first), id (8), Unix milliseconds (8), decisions (8), and for each grown chain,
    /// by the order of its id's bytes, chain id (16), length (8), head (32). Integers are big-endian.
    /// </summary>
    public static byte[] RootOf(byte[]? previousRoot, long id, DateTimeOffset at, long decisions, IEnumerable<CheckpointHeadRow> heads)
    {
        using IncrementalHash hash = IncrementalHash.CreateHash(HashAlgorithmName.SHA256);
        hash.AppendData(previousRoot ?? new byte[SHA256.HashSizeInBytes]);
        Append(hash, id);
        Append(hash, at.ToUnixTimeMilliseconds());
        Append(hash, decisions);
        foreach (CheckpointHeadRow head in heads.OrderBy(h => h.ChainId.ToString("N"), StringComparer.Ordinal))
        {
            hash.AppendData(head.ChainId.ToByteArray(bigEndian: true));
            Append(hash, head.Length);
            hash.AppendData(head.Head);
        }

        return hash.GetHashAndReset();
    }

    private static async Task<Guid?> FirstUnkeptAsync(TitrationDbContext database, long checkpoint, CancellationToken cancellationToken)
    {
        List<Guid> unkept = await database.CheckpointHeads
            .Where(h => h.CheckpointId == checkpoint
                && !database.Decisions.Any(d => d.ChainId == h.ChainId && d.Sequence == h.Length && d.Hash == h.Head))
            .Select(h => h.ChainId).Take(1).ToListAsync(cancellationToken);
        return unkept.Count == 0 ? null : unkept[0];
    }

    private static void Append(IncrementalHash hash, long value)
    {
        Span<byte> bytes = stackalloc byte[sizeof(long)];
        BinaryPrimitives.WriteInt64BigEndian(bytes, value);
        hash.AppendData(bytes);
    }
}
