using System.Collections.Immutable;
using System.Runtime.CompilerServices;
using Microsoft.EntityFrameworkCore;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>Verifies checkpoints: in the database against the chains, and those that were exported against both.</summary>
public static class CheckpointVerification
{
    /// <summary>Verifies the checkpoints in the database against each other, the chains and their signatures.</summary>
    /// <param name="database">Within a snapshot, where the service runs meanwhile.</param>
    /// <param name="keys">The clinic's public keys; none: signatures are not looked at.</param>
    /// <param name="cancellationToken">Ends it.</param>
    public static async IAsyncEnumerable<LedgerFinding> VerifyCheckpointsAsync(
        this TitrationDbContext database, ImmutableArray<LedgerKey> keys, [EnumeratorCancellation] CancellationToken cancellationToken)
    {
        byte[]? previous = null;
        long expected = 1;
        bool signedBefore = false;
        foreach (CheckpointRow row in await database.Checkpoints.AsNoTracking().OrderBy(c => c.Id).ToListAsync(cancellationToken))
        {
            for (; expected < row.Id; expected++)
            {
                yield return new LedgerFinding(LedgerProblem.CheckpointMissing, Checkpoint: expected);
            }

            Checkpoint checkpoint = new(row, await database.CheckpointHeads.AsNoTracking().Where(h => h.CheckpointId == row.Id).ToListAsync(cancellationToken));
            if (!HoldsTogether(row, previous, checkpoint.Heads))
            {
                yield return new LedgerFinding(LedgerProblem.CheckpointDiffers, Checkpoint: row.Id);
            }

            if (SignatureProblem(row, keys, signedBefore) is { } problem)
            {
                yield return new LedgerFinding(problem, Checkpoint: row.Id);
            }

            foreach (LedgerFinding finding in await UnkeptAsync(database, row.Id, cancellationToken))
            {
                yield return finding;
            }

            signedBefore |= row.Signature is not null;
            previous = row.RootHash;
            expected = row.Id + 1;
        }

        foreach (long stray in await database.CheckpointHeads.Where(h => !database.Checkpoints.Any(c => c.Id == h.CheckpointId))
            .Select(h => h.CheckpointId).Distinct().ToListAsync(cancellationToken))
        {
            yield return new LedgerFinding(LedgerProblem.CheckpointMissing, Checkpoint: stray);
        }
    }

    /// <summary>Verifies the exported checkpoints by themselves and holds the database against them.</summary>
    /// <param name="database">Within a snapshot, where the service runs meanwhile.</param>
    /// <param name="exported">Where they are.</param>
    /// <param name="keys">The clinic's public keys; none: signatures are not looked at.</param>
    /// <param name="cancellationToken">Ends it.</param>
    public static async IAsyncEnumerable<LedgerFinding> VerifyExportedAsync(
        this TitrationDbContext database, CheckpointFolder exported, ImmutableArray<LedgerKey> keys, [EnumeratorCancellation] CancellationToken cancellationToken)
    {
        Dictionary<long, CheckpointRow> kept = await database.Checkpoints.AsNoTracking().ToDictionaryAsync(c => c.Id, cancellationToken);
        CheckpointRow? before = null;
        bool signedBefore = false;
        foreach (long number in exported.Numbers())
        {
            for (long missing = (before?.Id ?? number - 1) + 1; missing < number; missing++)
            {
                yield return new LedgerFinding(LedgerProblem.ExportedMissing, Checkpoint: missing);
            }

            if (await exported.ReadAsync(number, cancellationToken) is not { } file
                || !HoldsTogether(file.Row, file.PreviousRoot, file.Heads)
                || (before?.Id == number - 1 && !before.RootHash.AsSpan().SequenceEqual(file.PreviousRoot)))
            {
                yield return new LedgerFinding(LedgerProblem.ExportedBroken, Checkpoint: number);
                before = null;
                continue;
            }

            if (SignatureProblem(file.Row, keys, signedBefore) is { } problem)
            {
                yield return new LedgerFinding(problem, Checkpoint: number);
            }

            if (!kept.TryGetValue(number, out CheckpointRow? row) || !Same(row, file.Row))
            {
                yield return new LedgerFinding(row is null ? LedgerProblem.CheckpointMissing : LedgerProblem.ExportedDiffers, Checkpoint: number);
                foreach (CheckpointHeadRow head in file.Heads)
                {
                    if (await UnkeptAsync(database, head, cancellationToken) is { } finding)
                    {
                        yield return finding;
                    }
                }
            }

            signedBefore |= file.Row.Signature is not null;
            before = file.Row;
        }
    }

    private static LedgerProblem? SignatureProblem(CheckpointRow row, ImmutableArray<LedgerKey> keys, bool signedBefore) => row.Signature switch
    {
        _ when keys.IsEmpty => null,
        null => signedBefore ? LedgerProblem.CheckpointUnsigned : null,
        var signature => keys.Any(key => key.Verifies(row.RootHash, signature)) ? null : LedgerProblem.SignatureInvalid,
    };

    private static bool HoldsTogether(CheckpointRow row, byte[]? previous, IReadOnlyList<CheckpointHeadRow> heads) =>
        row.At == row.At.Cut()
        && Checkpoints.RootOf(previous, row.Id, row.At, row.Decisions, row.Facts, heads).AsSpan().SequenceEqual(row.RootHash);

    private static bool Same(CheckpointRow left, CheckpointRow right) =>
        (left.At, left.Decisions, left.Facts) == (right.At, right.Decisions, right.Facts)
        && left.RootHash.AsSpan().SequenceEqual(right.RootHash) && left.Signature.AsSpan().SequenceEqual(right.Signature);

    private static async Task<IReadOnlyList<LedgerFinding>> UnkeptAsync(TitrationDbContext database, long checkpoint, CancellationToken cancellationToken)
    {
        var ends = await (
            from head in database.CheckpointHeads
            where head.CheckpointId == checkpoint
            let patient = database.Patients.Where(p => p.ChainId == head.ChainId).Select(p => p.Id).FirstOrDefault()
            let isKept = head.Length == 0 || database.Decisions.Any(d => d.ChainId == head.ChainId && d.Sequence == head.Length && d.Hash == head.Head)
            let areFactsKept = head.Facts == 0
                || database.Facts.Any(f => f.Patient == patient && f.Sequence == head.Facts && f.Hash == head.FactHead)
                || database.DecisionContents.Any(c => c.ChainId == head.ChainId && c.Rule == DecisionChain.ErasureRule)
            where !isKept || !areFactsKept
            select new { head.ChainId, Patient = patient, head.Length, head.Facts, IsKept = isKept }).ToListAsync(cancellationToken);
        return
        [
            .. ends.Select(e => new LedgerFinding(
                e.IsKept ? LedgerProblem.SealedFactsDiffer : LedgerProblem.SealedEndDiffers, e.ChainId, e.Patient, e.IsKept ? e.Facts : e.Length, checkpoint)),
        ];
    }

    private static async Task<LedgerFinding?> UnkeptAsync(TitrationDbContext database, CheckpointHeadRow head, CancellationToken cancellationToken)
    {
        string? patient = await database.Patients.Where(p => p.ChainId == head.ChainId).Select(p => p.Id).FirstOrDefaultAsync(cancellationToken);
        bool isKept = head.Length == 0
            || await database.Decisions.AnyAsync(d => d.ChainId == head.ChainId && d.Sequence == head.Length && d.Hash == head.Head, cancellationToken);
        if (!isKept)
        {
            bool isThere = await database.Chains.AnyAsync(c => c.Id == head.ChainId, cancellationToken);
            return new LedgerFinding(isThere ? LedgerProblem.SealedEndDiffers : LedgerProblem.ChainMissing, head.ChainId, patient, head.Length, head.CheckpointId);
        }

        bool areFactsKept = head.Facts == 0
            || await database.Facts.AnyAsync(f => f.Patient == patient && f.Sequence == head.Facts && f.Hash == head.FactHead, cancellationToken)
            || await database.DecisionContents.AnyAsync(c => c.ChainId == head.ChainId && c.Rule == DecisionChain.ErasureRule, cancellationToken);
        return areFactsKept ? null : new LedgerFinding(LedgerProblem.SealedFactsDiffer, head.ChainId, patient, head.Facts, head.CheckpointId);
    }
}
