using System.Security.Cryptography;
using Titration.Protocol.Facts;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>
/// The hash chain of one patient's decisions, so that an edit, a deletion, an insertion or another order shows. Pure: salts and
/// instants come in.
/// </summary>
/// <remarks>
/// Layout, version 2. Integers are big-endian, UUIDs in the order of their text, <c>text</c> is a 4-byte length and UTF-8,
/// <c>bytes</c> is a 4-byte length and the bytes, <c>optional</c> is one byte 0, or one byte 1 and the value. SHA-256 throughout.
/// <code>
/// content digest = salt (32) | version 2 (1) | decision id (16) | patient text | course optional (16) | outcome optional text
///                | rule text | input digest text | fact sequence (8) | fact head (32) | content bytes
/// hash           = version 2 (1) | previous hash (32) | chain id (16) | sequence (8) | decided at, Unix milliseconds (8)
///                | policy hash text | content digest (32)
/// </code>
/// The previous hash of the first entry is 32 zero bytes. What tells anything of the patient goes into the hash through the salted
/// digest alone: when content and salt are erased, the rest is still verified and says nothing.
/// </remarks>
public static class DecisionChain
{
    /// <summary>Bytes in a salt.</summary>
    public const int SaltLength = 32;

    /// <summary>The rule that stands in the entry which an erasure leaves.</summary>
    public const string ErasureRule = "patient-erased";

    private const byte Layout = 2;

    /// <summary>A new chain without entries.</summary>
    public static ChainRow Empty(Guid id) => new()
    {
        Id = id,
        Length = 0,
        Head = new byte[SHA256.HashSizeInBytes],
        Facts = 0,
        FactHead = new byte[SHA256.HashSizeInBytes],
    };

    /// <summary>A new chain's random id.</summary>
    public static Guid NewChainId() => new(RandomNumberGenerator.GetBytes(16));

    /// <summary>The next entry for this content. The chain's end moves on to it.</summary>
    public static DecisionRow Append(ChainRow chain, DecisionContentRow content, DateTimeOffset decidedAt, string policyHash)
    {
        if (content.ChainId != chain.Id || content.Sequence != chain.Length + 1)
        {
            throw new ArgumentException("The content belongs to another place.", nameof(content));
        }

        byte[] digest = DigestOf(content);
        DecisionRow entry = new()
        {
            ChainId = chain.Id,
            Sequence = content.Sequence,
            DecidedAt = decidedAt.Cut(),
            PolicyHash = policyHash,
            PreviousHash = chain.Head,
            ContentDigest = digest,
            Hash = HashOf(chain.Head, chain.Id, content.Sequence, decidedAt, policyHash, digest),
        };
        chain.Length = entry.Sequence;
        chain.Head = entry.Hash;
        return entry;
    }

    /// <summary>The salted digest of a decision's content.</summary>
    public static byte[] DigestOf(DecisionContentRow content)
    {
        using HashInput input = new();
        return input
            .Fixed(content.Salt).Byte(Layout).Id(content.DecisionId).Text(content.Patient)
            .Optional(content.CourseId, (i, value) => i.Id(value)).OptionalText(content.Outcome?.Code())
            .Text(content.Rule).Text(content.InputDigest).Number(content.FactSequence).Fixed(content.FactHead).Bytes(content.Content)
            .Hash();
    }

    /// <summary>The hash of an entry.</summary>
    public static byte[] HashOf(
        byte[] previousHash, Guid chainId, long sequence, DateTimeOffset decidedAt, string policyHash, byte[] contentDigest)
    {
        using HashInput input = new();
        return input.Byte(Layout).Fixed(previousHash).Id(chainId).Number(sequence).Instant(decidedAt).Text(policyHash).Fixed(contentDigest).Hash();
    }
}
