using System.Security.Cryptography;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>
/// The hash chain of one patient's facts in the order of their arrival, so that what a decision knew cannot be changed unseen: each decision and each
/// checkpoint holds the hash of the newest fact. Pure: salts come in.
/// </summary>
/// <remarks>
/// Layout, version 1, in the terms of <see cref="DecisionChain"/>:
/// <code>
/// hash = salt (32) | version 1 (1) | previous hash (32) | chain id (16) | sequence (8) | patient text | resource type text | resource id text
///      | version id text | content hash text | last updated optional (8) | received at (8) | trace parent optional text | content bytes
/// </code>
/// The previous hash of the first fact is 32 zero bytes. An erasure deletes facts with their salts; the hashes that stay elsewhere then say nothing.
/// </remarks>
public static class FactChain
{
    private const byte Layout = 1;

    /// <summary>Chains a fact after those that are there. The chain's end moves on to it.</summary>
    public static void Append(ChainRow chain, FactRow fact)
    {
        if (fact.Sequence != chain.Facts + 1)
        {
            throw new ArgumentException("The fact belongs to another place.", nameof(fact));
        }

        fact.Salt = RandomNumberGenerator.GetBytes(DecisionChain.SaltLength);
        fact.Hash = HashOf(chain.FactHead, chain.Id, fact);
        chain.Facts = fact.Sequence;
        chain.FactHead = fact.Hash;
    }

    /// <summary>The hash of a fact after the one before.</summary>
    public static byte[] HashOf(byte[] previousHash, Guid chainId, FactRow fact)
    {
        using HashInput input = new();
        return input
            .Fixed(fact.Salt).Byte(Layout).Fixed(previousHash).Id(chainId).Number(fact.Sequence)
            .Text(fact.Patient).Text(fact.ResourceType).Text(fact.ResourceId).Text(fact.VersionId).Text(fact.ContentHash)
            .Optional(fact.LastUpdated, (i, value) => i.Instant(value)).Instant(fact.ReceivedAt)
            .OptionalText(fact.TraceParent).Bytes(fact.Content)
            .Hash();
    }
}
