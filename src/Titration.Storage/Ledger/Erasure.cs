using System.Buffers.Binary;
using System.Collections.Frozen;
using System.Security.Cryptography;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Facts;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>Of whom a message tells.</summary>
public enum Telling
{
    NotOfPatient,
    OfPatient,

    /// <summary>Of the patient and of others, in one message that cannot be taken apart.</summary>
    OfOthersToo,
}

/// <summary>Looks through a message's bytes.</summary>
/// <param name="content">The bytes.</param>
/// <param name="names">What the patient is known by: <c>Type/id</c> of the Patient and of each resource.</param>
public delegate Telling Tells(byte[] content, IReadOnlySet<string> names);

/// <summary>How much is held of a patient.</summary>
/// <param name="Facts">Facts.</param>
/// <param name="Courses">Courses.</param>
/// <param name="Decisions">Decisions whose content is there.</param>
/// <param name="Communications">Communications, closed ones included.</param>
/// <param name="Outbox">Entries of the outbox, sent ones included.</param>
/// <param name="Quarantine">Messages in quarantine.</param>
/// <param name="Waiting">Resources that wait.</param>
/// <param name="Shared">Of the messages in quarantine and those that wait, how many tell of others too.</param>
public sealed record HeldOfPatient(int Facts, int Courses, int Decisions, int Communications, int Outbox, int Quarantine, int Waiting, int Shared)
{
    public bool IsNothing => Facts + Courses + Decisions + Communications + Outbox + Quarantine + Waiting == 0;
}

/// <summary>
/// Erasing a patient: everything that tells of the patient goes, the links of the chain stay, and an entry at its end says that and when.
/// </summary>
public static class Erasure
{
    /// <summary>
    /// Erases a patient within the caller's transaction, in a fresh context, and leaves the mark. Waits for whatever is being taken in.
    /// </summary>
    /// <param name="database">The database, as the eraser role.</param>
    /// <param name="patient">The patient's logical id.</param>
    /// <param name="mark">Keyed hash of the id, by the clinic's key.</param>
    /// <param name="keyMark">The key's own mark, by which another key is found out.</param>
    /// <param name="tells">Looks through what could not be read.</param>
    /// <param name="at">Now.</param>
    /// <param name="key">The clinic's ledger key, which signs the entry: without its signature removing a patient's record could not be told from an
    /// erasure. Null only where the clinic has none.</param>
    /// <param name="cancellationToken">Ends it; the caller then rolls back.</param>
    /// <returns>What was erased.</returns>
    public static async Task<HeldOfPatient> EraseAsync(
        this TitrationDbContext database, string patient, byte[] mark, byte[] keyMark, Tells tells, DateTimeOffset at, LedgerKey? key, CancellationToken cancellationToken)
    {
        if (database.Database.CurrentTransaction is null)
        {
            throw new InvalidOperationException("A patient is erased within a transaction.");
        }

        await database.BeginErasureAsync(cancellationToken);
        if (!await database.FitsMarksAsync(keyMark, cancellationToken))
        {
            throw new ErasureKeyException();
        }

        // A sweep that has the patient in its hands ends first.
        List<PatientRow> rows = await database.LockPatients([patient]).AsNoTracking().ToListAsync(cancellationToken);
        SetAside setAside = await SetAsideOfAsync(database, patient, tells, cancellationToken);
        HeldOfPatient held = await CountAsync(database, patient, setAside, cancellationToken);
        await database.MarkAsync(keyMark, at, cancellationToken);
        await database.MarkAsync(mark, at, cancellationToken);
        if (rows.Count > 0)
        {
            await AppendEntryAsync(database, rows[0].ChainId, at, key, cancellationToken);
        }

        await database.SaveChangesAsync(cancellationToken);
        await DeleteAsync(database, patient, setAside, cancellationToken);
        return held;
    }

    /// <summary>What is held of a patient, counted; changes nothing.</summary>
    public static async Task<HeldOfPatient> HeldOfAsync(this TitrationDbContext database, string patient, Tells tells, CancellationToken cancellationToken) =>
        await CountAsync(database, patient, await SetAsideOfAsync(database, patient, tells, cancellationToken), cancellationToken);

    /// <summary>What the patient is known by in messages: <c>Type/id</c> of the Patient, of each resource that is a fact, and of each that we sent.</summary>
    public static async Task<FrozenSet<string>> NamesOfAsync(this TitrationDbContext database, string patient, CancellationToken cancellationToken)
    {
        List<string> facts = await database.Facts.Where(f => f.Patient == patient)
            .Select(f => f.ResourceType + "/" + f.ResourceId).Distinct().ToListAsync(cancellationToken);
        List<string> sent = await database.SentResources.Where(s => database.Communications.Any(c => c.Key == s.CommunicationKey && c.Patient == patient))
            .Select(s => s.ResourceType + "/" + s.ServerId).ToListAsync(cancellationToken);
        return facts.Concat(sent).Append($"Patient/{patient}").ToFrozenSet(StringComparer.Ordinal);
    }

    /// <summary>The ids of what was set aside and tells of a patient.</summary>
    public static async Task<SetAside> SetAsideOfAsync(this TitrationDbContext database, string patient, Tells tells, CancellationToken cancellationToken)
    {
        FrozenSet<string> names = await database.NamesOfAsync(patient, cancellationToken);
        int shared = 0;
        List<long> quarantine = await database.Quarantine.AsNoTracking().AsAsyncEnumerable().Where(q => IsOf(q.Patient, q.Content)).Select(q => q.Id).ToListAsync(cancellationToken);
        List<long> waiting = await database.Waiting.AsNoTracking().AsAsyncEnumerable().Where(w => IsOf(w.Patient, w.Content)).Select(w => w.Id).ToListAsync(cancellationToken);
        return new SetAside(quarantine, waiting, shared);

        bool IsOf(string? owner, byte[] content)
        {
            Telling telling = tells(content, names);
            shared += telling == Telling.OfOthersToo ? 1 : 0;
            return telling != Telling.NotOfPatient || owner == patient;
        }
    }

    private static async Task<HeldOfPatient> CountAsync(TitrationDbContext database, string patient, SetAside setAside, CancellationToken cancellationToken) => new(
        await database.Facts.CountAsync(f => f.Patient == patient, cancellationToken),
        await database.Courses.CountAsync(c => c.Patient == patient, cancellationToken),
        await database.DecisionContents.CountAsync(d => d.Patient == patient, cancellationToken),
        await database.Communications.CountAsync(c => c.Patient == patient, cancellationToken),
        await database.Outbox.CountAsync(o => o.Patient == patient, cancellationToken),
        setAside.Quarantine.Count,
        setAside.Waiting.Count,
        setAside.Shared);

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

    private static async Task DeleteAsync(TitrationDbContext database, string patient, SetAside setAside, CancellationToken cancellationToken)
    {
        await database.Outbox.Where(o => o.Patient == patient).ExecuteDeleteAsync(cancellationToken);
        await database.SentResources
            .Where(s => database.Communications.Any(c => c.Key == s.CommunicationKey && c.Patient == patient))
            .ExecuteDeleteAsync(cancellationToken);
        await database.Communications.Where(c => c.Patient == patient).ExecuteDeleteAsync(cancellationToken);
        await database.Courses.Where(c => c.Patient == patient).ExecuteDeleteAsync(cancellationToken);
        await database.Facts.Where(f => f.Patient == patient).ExecuteDeleteAsync(cancellationToken);
        await database.DecisionContents.Where(c => c.Patient == patient).ExecuteDeleteAsync(cancellationToken);
        await database.Quarantine.Where(q => setAside.Quarantine.Contains(q.Id)).ExecuteDeleteAsync(cancellationToken);
        await database.Waiting.Where(w => setAside.Waiting.Contains(w.Id)).ExecuteDeleteAsync(cancellationToken);
        await database.StagedResources.Where(s => s.Patient == patient).ExecuteDeleteAsync(cancellationToken);
        await database.Patients.Where(p => p.Id == patient).ExecuteDeleteAsync(cancellationToken);
    }
}

/// <summary>What was set aside and tells of a patient.</summary>
/// <param name="Quarantine">Ids in quarantine.</param>
/// <param name="Waiting">Ids of what waits.</param>
/// <param name="Shared">How many of them tell of others too.</param>
public sealed record SetAside(IReadOnlyList<long> Quarantine, IReadOnlyList<long> Waiting, int Shared);
