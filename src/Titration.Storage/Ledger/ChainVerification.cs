using System.Collections.Immutable;
using System.Security.Cryptography;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>An entry with its content; null where that was erased.</summary>
public sealed record ChainEntry(DecisionRow Decision, DecisionContentRow? Content);

/// <summary>What is wrong at the first place where a chain does not hold.</summary>
public enum ChainProblem
{
    /// <summary>The entry with this number is not there.</summary>
    EntryMissing,

    /// <summary>The entry does not follow the one before: another was removed, put in, or changed with its hash.</summary>
    PreviousHashDiffers,

    /// <summary>The entry was changed.</summary>
    HashDiffers,

    /// <summary>The content is not there, and no erasure that came after says why.</summary>
    ContentMissing,

    /// <summary>The content, its salt, or its place was changed.</summary>
    ContentDiffers,

    /// <summary>The chain ends elsewhere than recorded: entries were removed from its end, or put there.</summary>
    EndDiffers,
}

/// <summary>The first break of a chain.</summary>
/// <param name="Sequence">Place in the chain, from 1.</param>
/// <param name="Problem">What is wrong there.</param>
public sealed record ChainBreak(long Sequence, ChainProblem Problem);

/// <summary>Checks a chain of decisions against itself and its recorded end.</summary>
public static class ChainVerification
{
    /// <summary>The first break; null where the chain holds.</summary>
    /// <param name="chain">The recorded end.</param>
    /// <param name="entries">All entries of the chain, in their order.</param>
    public static ChainBreak? Verify(ChainRow chain, ImmutableArray<ChainEntry> entries)
    {
        long erasedUpTo = entries.LastOrDefault(e => e.Content?.Rule == DecisionChain.ErasureRule)?.Decision.Sequence ?? 0;
        byte[] previous = DecisionChain.Empty(chain.Id).Head;
        long sequence = 0;
        foreach (ChainEntry entry in entries)
        {
            sequence++;
            if (ProblemOf(entry, chain.Id, sequence, previous, erasedUpTo) is { } problem)
            {
                return new ChainBreak(sequence, problem);
            }

            previous = entry.Decision.Hash;
        }

        return sequence == chain.Length && Same(previous, chain.Head) ? null : new ChainBreak(sequence + 1, ChainProblem.EndDiffers);
    }

    private static ChainProblem? ProblemOf(ChainEntry entry, Guid chainId, long sequence, byte[] previous, long erasedUpTo)
    {
        (DecisionRow decision, DecisionContentRow? content) = entry;
        if (decision.Sequence > sequence)
        {
            return ChainProblem.EntryMissing;
        }

        if (!Same(decision.PreviousHash, previous))
        {
            return ChainProblem.PreviousHashDiffers;
        }

        byte[] hash = DecisionChain.HashOf(previous, chainId, sequence, decision.DecidedAt, decision.PolicyHash, decision.ContentDigest);
        if (decision.Sequence != sequence || !Same(decision.Hash, hash))
        {
            return ChainProblem.HashDiffers;
        }

        if (content is null)
        {
            return sequence < erasedUpTo ? null : ChainProblem.ContentMissing;
        }

        bool sameContent = content.ChainId == chainId && content.Sequence == sequence && Same(decision.ContentDigest, DecisionChain.DigestOf(content));
        return sameContent ? null : ChainProblem.ContentDiffers;
    }

    private static bool Same(byte[] left, byte[] right) => CryptographicOperations.FixedTimeEquals(left, right);
}
