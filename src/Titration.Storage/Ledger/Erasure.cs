using System.Buffers.Binary;
using System.Security.Cryptography;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Facts;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>
/// Erasing a patient: everything that tells of the patient goes, the links of the chain stay, and an entry at its end says that and when.
/// </summary>
public static class Erasure
{
    /// <summary>
    /// Erases a patient within the caller's transaction, in a fresh context. False where the patient is not known here; the mark is left in either case.
    /// </summary>
    /// <param name="database">The database, as the eraser role.</param>
    /// <param name="patient">The patient's logical id.</param>
    /// <param name="mark">Keyed hash of the id, by the clinic's key.</param>
    /// <param name="at">Now.</param>
    /// <param name="key">The clinic's ledger key, which signs the entry: without its signature removing a patient's record could not be told from an
    /// erasure. Null only where the clinic has none.</param>
    /// <param name="cancellationToken">Ends it; the caller then rolls back.</param>
    public static async Task<bool> EraseAsync(
        this TitrationDbContext database, string patient, byte[] mark, DateTimeOffset at, LedgerKey? key, CancellationToken cancellationToken)
    {
        if (database.Database.CurrentTransaction is null)
        {
            throw new InvalidOperationException("A patient is erased within a transaction.");
        }

        List<PatientRow> rows = await database.LockPatients([patient]).AsNoTracking().ToListAsync(cancellationToken);
        if (!await database.IsErasedAsync(mark, cancellationToken))
        {
            database.ErasedPatients.Add(new ErasedPatientRow { Mark = mark, ErasedAt = at });
        }

        if (rows.Count > 0)
        {
            await AppendEntryAsync(database, rows[0].ChainId, at, key, cancellationToken);
        }

        await database.SaveChangesAsync(cancellationToken);
        await DeleteAsync(database, patient, cancellationToken);
        return rows.Count > 0;
    }

    /// <summary>Whether the patient of this mark was erased: what still arrives is not taken in.</summary>
    public static Task<bool> IsErasedAsync(this TitrationDbContext database, byte[] mark, CancellationToken cancellationToken) =>
        database.ErasedPatients.AnyAsync(e => e.Mark == mark, cancellationToken);

    /// <summary>Whether the entry of an erasure carries a signature of one of these keys.</summary>
    public static bool IsSigned(DecisionRow link, DecisionContentRow content, IEnumerable<LedgerKey> keys)
    {
        if (content.Content.Length == 0)
        {
            return false;
        }

        byte[] signed = SignedBytes(link.PreviousHash, link.ChainId, link.Sequence, link.DecidedAt);
        return keys.Any(key => key.Verifies(signed, content.Content));
    }

    /// <summary>What the signature of an erasure is over: previous hash (32), chain id (16), sequence (8) and Unix milliseconds (8), integers big-endian.</summary>
    private static byte[] SignedBytes(byte[] previousHash, Guid chainId, long sequence, DateTimeOffset at)
    {
        byte[] bytes = [.. previousHash, .. chainId.ToByteArray(bigEndian: true), .. new byte[2 * sizeof(long)]];
        BinaryPrimitives.WriteInt64BigEndian(bytes.AsSpan()[^16..], sequence);
        BinaryPrimitives.WriteInt64BigEndian(bytes.AsSpan()[^8..], at.ToUnixTimeMilliseconds());
        return bytes;
    }

    private static async Task AppendEntryAsync(
        TitrationDbContext database, Guid chainId, DateTimeOffset at, LedgerKey? key, CancellationToken cancellationToken)
    {
        ChainRow chain = await database.Chains.SingleOrDefaultAsync(c => c.Id == chainId, cancellationToken)
            ?? database.Chains.Add(DecisionChain.Empty(chainId)).Entity;
        DecisionContentRow content = new()
        {
            DecisionId = DerivedId.Of("erasure", chainId.ToString()),
            ChainId = chainId,
            Sequence = chain.Length + 1,
            Patient = "",
            Rule = DecisionChain.ErasureRule,
            InputDigest = "",
            FactSequence = chain.Facts,
            FactHead = chain.FactHead,
            Salt = RandomNumberGenerator.GetBytes(DecisionChain.SaltLength),
            Content = key?.Sign(SignedBytes(chain.Head, chainId, chain.Length + 1, at)) ?? [],
        };
        database.Decisions.Add(DecisionChain.Append(chain, content, at, policyHash: ""));
        database.DecisionContents.Add(content);
    }

    private static async Task DeleteAsync(TitrationDbContext database, string patient, CancellationToken cancellationToken)
    {
        await database.Outbox.Where(o => o.Patient == patient).ExecuteDeleteAsync(cancellationToken);
        await database.SentResources
            .Where(s => database.Communications.Any(c => c.Key == s.CommunicationKey && c.Patient == patient))
            .ExecuteDeleteAsync(cancellationToken);
        await database.Communications.Where(c => c.Patient == patient).ExecuteDeleteAsync(cancellationToken);
        await database.Courses.Where(c => c.Patient == patient).ExecuteDeleteAsync(cancellationToken);
        await database.Facts.Where(f => f.Patient == patient).ExecuteDeleteAsync(cancellationToken);
        await database.DecisionContents.Where(c => c.Patient == patient).ExecuteDeleteAsync(cancellationToken);
        await database.Quarantine.Where(q => q.Patient == patient).ExecuteDeleteAsync(cancellationToken);
        await database.Waiting.Where(w => w.Patient == patient).ExecuteDeleteAsync(cancellationToken);
        await database.Patients.Where(p => p.Id == patient).ExecuteDeleteAsync(cancellationToken);
    }
}
