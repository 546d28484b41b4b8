using System.Collections.Immutable;
using System.Runtime.CompilerServices;
using Microsoft.EntityFrameworkCore;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>What the verification of one patient's chains found.</summary>
/// <param name="ChainId">The chain.</param>
/// <param name="Patient">Whose it is; null where the patient was erased.</param>
/// <param name="Entries">Decisions in it.</param>
/// <param name="Facts">Facts of the patient.</param>
/// <param name="Break">The first break among the decisions, else among the facts; null where both hold.</param>
public sealed record ChainResult(Guid ChainId, string? Patient, int Entries, int Facts, ChainBreak? Break);

/// <summary>Verifies the chains in the database. Memory does not grow with the caseload beyond the chains' ids.</summary>
public static class LedgerVerification
{
    private const int ChainsAtOnce = 50;

    /// <summary>Everything that is wrong with the ledger: chains, rows that belong to nothing, policies, checkpoints, and exported checkpoints.</summary>
    /// <param name="database">Within a snapshot, where the service runs meanwhile.</param>
    /// <param name="keys">The clinic's public keys; none: signatures are not looked at.</param>
    /// <param name="exported">Where the exported checkpoints are.</param>
    /// <param name="verified">Told of each chain that was verified.</param>
    /// <param name="cancellationToken">Ends it.</param>
    public static async IAsyncEnumerable<LedgerFinding> FindAllAsync(
        this TitrationDbContext database, ImmutableArray<LedgerKey> keys, CheckpointFolder exported, Action<ChainResult> verified,
        [EnumeratorCancellation] CancellationToken cancellationToken)
    {
        IAsyncEnumerable<LedgerFinding> chains = database.VerifyLedgerAsync(keys, cancellationToken).SelectMany(chain =>
        {
            verified(chain);
            return chain.Break is { } found ? [new LedgerFinding(found.Problem, chain.ChainId, chain.Patient, found.Sequence)] : Array.Empty<LedgerFinding>();
        });
        IAsyncEnumerable<LedgerFinding>[] parts =
        [
            chains, database.StrayRowsAsync(cancellationToken), database.VerifyCheckpointsAsync(keys, cancellationToken),
            database.VerifyExportedAsync(exported, keys, cancellationToken),
        ];
        foreach (IAsyncEnumerable<LedgerFinding> part in parts)
        {
            await using IAsyncEnumerator<LedgerFinding> findings = part.GetAsyncEnumerator(cancellationToken);
            while (await NextAsync(findings) is { } finding)
            {
                yield return finding;
                if (finding.Problem == LedgerProblem.Unreadable && finding.Chain is null)
                {
                    break;
                }
            }
        }
    }

    /// <summary>Verifies every chain, a page at a time. What else does not belong into the ledger is <see cref="StrayRowsAsync"/>'s.</summary>
    /// <param name="database">Within a snapshot, where the service runs meanwhile.</param>
    /// <param name="keys">The clinic's public keys, by which an erasure is told from a removal; none: erasures are taken for what they say.</param>
    /// <param name="cancellationToken">Ends it.</param>
    public static async IAsyncEnumerable<ChainResult> VerifyLedgerAsync(
        this TitrationDbContext database, ImmutableArray<LedgerKey> keys, [EnumeratorCancellation] CancellationToken cancellationToken)
    {
        List<Guid> chains = await database.Chains.Select(c => c.Id).ToListAsync(cancellationToken);

        // A patient that has facts or decisions and no chain is a chain that somebody removed.
        List<Guid> without = await database.Patients
            .Where(p => (p.LastDecidedAt != null || p.NextFactSequence > 1) && !database.Chains.Any(c => c.Id == p.ChainId))
            .Select(p => p.ChainId).ToListAsync(cancellationToken);
        foreach (Guid[] page in chains.Concat(without).Chunk(ChainsAtOnce))
        {
            foreach (ChainResult result in await VerifyPageAsync(database, page, keys, cancellationToken))
            {
                yield return result;
            }
        }
    }

    /// <summary>Rows that belong to nothing, and policies that are missing or not what they say.</summary>
    public static async IAsyncEnumerable<LedgerFinding> StrayRowsAsync(this TitrationDbContext database, [EnumeratorCancellation] CancellationToken cancellationToken)
    {
        foreach (string patient in await database.Facts.Where(f => !database.Patients.Any(p => p.Id == f.Patient)).Select(f => f.Patient).Distinct().ToListAsync(cancellationToken))
        {
            yield return new LedgerFinding(LedgerProblem.StrayRows, Patient: patient);
        }

        foreach (var entry in await database.Decisions.Where(d => !database.Chains.Any(c => c.Id == d.ChainId))
            .GroupBy(d => d.ChainId).Select(g => new { Chain = g.Key, Sequence = g.Min(d => d.Sequence) }).ToListAsync(cancellationToken))
        {
            yield return new LedgerFinding(LedgerProblem.StrayRows, entry.Chain, Sequence: entry.Sequence);
        }

        foreach (var content in await database.DecisionContents
            .Where(c => !database.Decisions.Any(d => d.ChainId == c.ChainId && d.Sequence == c.Sequence))
            .Select(c => new { c.ChainId, c.Sequence }).ToListAsync(cancellationToken))
        {
            yield return new LedgerFinding(LedgerProblem.StrayRows, content.ChainId, Sequence: content.Sequence);
        }

        foreach (string missing in await database.Decisions.Where(d => d.PolicyHash != "" && !database.Policies.Any(p => p.Hash == d.PolicyHash))
            .Select(d => d.PolicyHash).Distinct().ToListAsync(cancellationToken))
        {
            yield return new LedgerFinding(LedgerProblem.PolicyMissing, Policy: missing);
        }

        foreach (PolicyRow policy in await database.Policies.AsNoTracking().ToListAsync(cancellationToken))
        {
            if (!PolicyContent.IsOf(policy))
            {
                yield return new LedgerFinding(LedgerProblem.PolicyDiffers, Policy: policy.Hash);
            }
        }
    }

    /// <summary>The next finding; one of its own where a value cannot be read; null at the end.</summary>
    private static async Task<LedgerFinding?> NextAsync(IAsyncEnumerator<LedgerFinding> findings)
    {
        try
        {
            return await findings.MoveNextAsync() ? findings.Current : null;
        }
        catch (Exception problem) when (IsUnreadable(problem))
        {
            return new LedgerFinding(LedgerProblem.Unreadable);
        }
    }

    // What EF and its converters throw at a value that was not written by them.
    private static bool IsUnreadable(Exception problem) =>
        problem is FormatException or InvalidCastException or OverflowException or ArgumentException or InvalidOperationException;

    /// <summary>A value that cannot be read must not hide what is wrong elsewhere: then each chain is read by itself.</summary>
    private static async Task<ImmutableArray<ChainResult>> VerifyPageAsync(
        TitrationDbContext database, Guid[] page, ImmutableArray<LedgerKey> keys, CancellationToken cancellationToken)
    {
        try
        {
            return await VerifyChainsAsync(database, page, keys, cancellationToken);
        }
        catch (Exception problem) when (IsUnreadable(problem))
        {
            if (page.Length == 1)
            {
                return [new ChainResult(page[0], null, 0, 0, new ChainBreak(0, LedgerProblem.Unreadable))];
            }

            ImmutableArray<ChainResult>.Builder results = ImmutableArray.CreateBuilder<ChainResult>(page.Length);
            foreach (Guid chain in page)
            {
                results.AddRange(await VerifyPageAsync(database, [chain], keys, cancellationToken));
            }

            return results.DrainToImmutable();
        }
    }

    private static async Task<ImmutableArray<ChainResult>> VerifyChainsAsync(
        TitrationDbContext database, Guid[] ids, ImmutableArray<LedgerKey> keys, CancellationToken cancellationToken)
    {
        Dictionary<Guid, ChainRow> chains = await database.Chains.AsNoTracking()
            .Where(c => ids.Contains(c.Id)).ToDictionaryAsync(c => c.Id, cancellationToken);
        Dictionary<Guid, string> patients = await database.Patients.Where(p => ids.Contains(p.ChainId))
            .ToDictionaryAsync(p => p.ChainId, p => p.Id, cancellationToken);
        ILookup<Guid, DecisionRow> decisions = (await database.Decisions.AsNoTracking().Where(d => ids.Contains(d.ChainId))
            .OrderBy(d => d.ChainId).ThenBy(d => d.Sequence).ToListAsync(cancellationToken)).ToLookup(d => d.ChainId);
        Dictionary<(Guid, long), DecisionContentRow> contents = await database.DecisionContents.AsNoTracking()
            .Where(c => ids.Contains(c.ChainId)).ToDictionaryAsync(c => (c.ChainId, c.Sequence), cancellationToken);
        ILookup<string, FactRow> facts = (await database.Facts.AsNoTracking().Where(f => patients.Values.Contains(f.Patient))
            .OrderBy(f => f.Patient).ThenBy(f => f.Sequence).ToListAsync(cancellationToken)).ToLookup(f => f.Patient, StringComparer.Ordinal);

        // Once a signed checkpoint has sealed a patient, only a signed entry erases the patient.
        var signedLengths = await database.CheckpointHeads
            .Where(h => ids.Contains(h.ChainId) && database.Checkpoints.Any(c => c.Id == h.CheckpointId && c.Signature != null))
            .GroupBy(h => h.ChainId).Select(g => new { g.Key, Length = g.Min(h => h.Length) }).ToDictionaryAsync(g => g.Key, g => g.Length, cancellationToken);
        return [.. ids.Select(id => ResultOf(id))];

        ChainResult ResultOf(Guid id)
        {
            ImmutableArray<ChainEntry> entries =
                [.. decisions[id].Select(d => new ChainEntry(d, contents.GetValueOrDefault((d.ChainId, d.Sequence))))];
            string? patient = patients.GetValueOrDefault(id);
            ImmutableArray<FactRow> known = patient is null ? [] : [.. facts[patient]];
            ChainBreak? found = chains.TryGetValue(id, out ChainRow? chain)
                ? ChainVerification.Verify(chain, entries, entry => IsGenuine(id, entry)) ?? ChainVerification.VerifyFacts(chain, entries, known)
                : new ChainBreak(1, LedgerProblem.ChainMissing);
            return new ChainResult(id, patient, entries.Length, known.Length, found);
        }

        bool IsGenuine(Guid id, ChainEntry entry) =>
            keys.IsEmpty || entry.Decision.Sequence <= signedLengths.GetValueOrDefault(id, long.MaxValue) || Erasure.IsSigned(entry.Decision, entry.Content!, keys);
    }
}
