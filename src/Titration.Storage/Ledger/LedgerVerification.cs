using System.Collections.Immutable;
using System.Runtime.CompilerServices;
using Microsoft.EntityFrameworkCore;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>What one chain's verification found.</summary>
/// <param name="ChainId">The chain.</param>
/// <param name="Patient">Whose it is; null where the patient was erased.</param>
/// <param name="Entries">Entries in it.</param>
/// <param name="Break">The first break; null where the chain holds.</param>
public sealed record ChainResult(Guid ChainId, string? Patient, int Entries, ChainBreak? Break);

/// <summary>Verifies the chains in the database.</summary>
public static class LedgerVerification
{
    private const int ChainsAtOnce = 200;

    /// <summary>Verifies every chain, a page at a time; memory does not grow with the caseload beyond the chains' ids.</summary>
    public static async IAsyncEnumerable<ChainResult> VerifyLedgerAsync(
        this TitrationDbContext database, [EnumeratorCancellation] CancellationToken cancellationToken)
    {
        List<Guid> chains = await database.Chains.Select(c => c.Id).ToListAsync(cancellationToken);

        // A patient that has decisions and no chain is a chain that somebody removed.
        List<Guid> without = await database.Patients
            .Where(p => p.LastDecidedAt != null && !database.Chains.Any(c => c.Id == p.ChainId))
            .Select(p => p.ChainId).ToListAsync(cancellationToken);
        foreach (Guid[] page in chains.Concat(without).Chunk(ChainsAtOnce))
        {
            foreach (ChainResult result in await VerifyChainsAsync(database, page, cancellationToken))
            {
                yield return result;
            }
        }
    }

    private static async Task<ImmutableArray<ChainResult>> VerifyChainsAsync(
        TitrationDbContext database, Guid[] ids, CancellationToken cancellationToken)
    {
        Dictionary<Guid, ChainRow> chains = await database.Chains.AsNoTracking()
            .Where(c => ids.Contains(c.Id)).ToDictionaryAsync(c => c.Id, cancellationToken);
        Dictionary<Guid, string> patients = await database.Patients.Where(p => ids.Contains(p.ChainId))
            .ToDictionaryAsync(p => p.ChainId, p => p.Id, cancellationToken);
        ILookup<Guid, DecisionRow> decisions = (await database.Decisions.AsNoTracking().Where(d => ids.Contains(d.ChainId))
            .OrderBy(d => d.ChainId).ThenBy(d => d.Sequence).ToListAsync(cancellationToken)).ToLookup(d => d.ChainId);
        Dictionary<(Guid, long), DecisionContentRow> contents = await database.DecisionContents.AsNoTracking()
            .Where(c => ids.Contains(c.ChainId)).ToDictionaryAsync(c => (c.ChainId, c.Sequence), cancellationToken);
        return [.. ids.Select(id => ResultOf(id))];

        ChainResult ResultOf(Guid id)
        {
            ImmutableArray<ChainEntry> entries =
                [.. decisions[id].Select(d => new ChainEntry(d, contents.GetValueOrDefault((d.ChainId, d.Sequence))))];
            ChainBreak? found = chains.TryGetValue(id, out ChainRow? chain)
                ? ChainVerification.Verify(chain, entries)
                : new ChainBreak(1, ChainProblem.EndDiffers);
            return new ChainResult(id, patients.GetValueOrDefault(id), entries.Length, found);
        }
    }
}
