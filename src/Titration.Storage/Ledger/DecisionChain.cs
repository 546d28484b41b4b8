using System.Buffers.Binary;
using System.Security.Cryptography;
using System.Text;
using Titration.Protocol.Facts;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>
/// The hash chain of one patient's decisions, so that an edit, a deletion, an insertion or another order shows. Pure: salts and
/// instants come in.
/// </summary>
/// <remarks>
/// Layout, version 1. Integers are big-endian, UUIDs in the order of their text, <c>text</c> is a 4-byte length and UTF-8,
/// <c>bytes</c> is a 4-byte length and the bytes, <c>optional</c> is one byte 0, or one byte 1 and the value. SHA-256 throughout.
/// <code>
/// content digest = salt (32) | version 1 (1) | decision id (16) | patient text | course optional (16) | outcome optional text
///                | rule text | input digest text | fact sequence (8) | content bytes
/// hash           = version 1 (1) | previous hash (32) | chain id (16) | sequence (8) | decided at, Unix milliseconds (8)
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

    private const byte Layout = 1;

    /// <summary>A new chain without entries.</summary>
    public static ChainRow Empty(Guid id) => new() { Id = id, Length = 0, Head = new byte[SHA256.HashSizeInBytes] };

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
        input.Fixed(content.Salt);
        input.Byte(Layout);
        input.Id(content.DecisionId);
        input.Text(content.Patient);
        input.Byte(content.CourseId is null ? (byte)0 : (byte)1);
        if (content.CourseId is { } course)
        {
            input.Id(course);
        }

        input.Byte(content.Outcome is null ? (byte)0 : (byte)1);
        if (content.Outcome is { } outcome)
        {
            input.Text(outcome.Code());
        }

        input.Text(content.Rule);
        input.Text(content.InputDigest);
        input.Number(content.FactSequence);
        input.Bytes(content.Content);
        return input.Hash();
    }

    /// <summary>The hash of an entry.</summary>
    public static byte[] HashOf(
        byte[] previousHash, Guid chainId, long sequence, DateTimeOffset decidedAt, string policyHash, byte[] contentDigest)
    {
        using HashInput input = new();
        input.Byte(Layout);
        input.Fixed(previousHash);
        input.Id(chainId);
        input.Number(sequence);
        input.Number(decidedAt.ToUnixTimeMilliseconds());
        input.Text(policyHash);
        input.Fixed(contentDigest);
        return input.Hash();
    }

    private sealed class HashInput : IDisposable
    {
        private readonly IncrementalHash _hash = IncrementalHash.CreateHash(HashAlgorithmName.SHA256);

        public void Byte(byte value) => _hash.AppendData([value]);

        public void Number(long value)
        {
            Span<byte> bytes = stackalloc byte[sizeof(long)];
            BinaryPrimitives.WriteInt64BigEndian(bytes, value);
            _hash.AppendData(bytes);
        }

        public void Id(Guid value) => _hash.AppendData(value.ToByteArray(bigEndian: true));

        // Salts and hashes are 32 bytes; any other length would make the layout ambiguous.
        public void Fixed(byte[] value) =>
            _hash.AppendData(value.Length == SaltLength ? value : throw new ArgumentException("32 bytes are needed.", nameof(value)));

        public void Text(string value) => Bytes(Encoding.UTF8.GetBytes(value));

        public void Bytes(byte[] value)
        {
            Span<byte> length = stackalloc byte[sizeof(int)];
            BinaryPrimitives.WriteInt32BigEndian(length, value.Length);
            _hash.AppendData(length);
            _hash.AppendData(value);
        }

        public byte[] Hash() => _hash.GetHashAndReset();

        public void Dispose() => _hash.Dispose();
    }
}
