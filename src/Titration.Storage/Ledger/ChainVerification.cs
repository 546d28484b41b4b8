using System.Collections.Immutable;
using System.Security.Cryptography;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>An entry with its content; null where that was erased.</summary>
public sealed record ChainEntry(DecisionRow Decision, DecisionContentRow? Content);

/// <summary>The first break of a chain.</summary>
/// <param name="Sequence">Place in the chain of decisions, or of facts, from 1.</param>
/// <param name="Problem">What is wrong there.</param>
public sealed record ChainBreak(long Sequence, LedgerProblem Problem);

/// <summary>Checks a patient's chains of decisions and of facts against themselves, each other and their recorded ends.</summary>
public static class ChainVerification
{
    /// <summary>The first break of the chain of decisions; null where it holds.</summary>
    /// <param name="chain">The recorded end.</param>
    /// <param name="entries">All entries of the chain, in their order.</param>
    /// <param name="isErasureGenuine">Whether an erasure's entry is what it says; null: each is taken for it.</param>
    public static ChainBreak? Verify(ChainRow chain, ImmutableArray<ChainEntry> entries, Func<ChainEntry, bool>? isErasureGenuine = null)
    {
        long erasedUpTo = entries.LastOrDefault(e => IsErasure(e.Content))?.Decision.Sequence ?? 0;
        byte[] previous = DecisionChain.Empty(chain.Id).Head;
        long sequence = 0;
        foreach (ChainEntry entry in entries)
        {
            sequence++;
            if (ProblemOf(entry, chain.Id, sequence, previous, erasedUpTo) is { } problem)
            {
                return new ChainBreak(sequence, problem);
            }

            if (IsErasure(entry.Content) && isErasureGenuine?.Invoke(entry) == false)
            {
                return new ChainBreak(sequence, LedgerProblem.ErasureUnsigned);
            }

            previous = entry.Decision.Hash;
        }

        return sequence == chain.Length && Same(previous, chain.Head) ? null : new ChainBreak(sequence + 1, LedgerProblem.EndDiffers);
    }

    /// <summary>The first break of the chain of facts; null where it holds. Of an erased patient there are none, and that holds as well.</summary>
    /// <param name="chain">The recorded end.</param>
    /// <param name="entries">All entries of the chain of decisions, in their order.</param>
    /// <param name="facts">All facts of the patient, in their order.</param>
    public static ChainBreak? VerifyFacts(ChainRow chain, ImmutableArray<ChainEntry> entries, ImmutableArray<FactRow> facts)
    {
        if (facts.IsEmpty && entries.LastOrDefault(e => IsErasure(e.Content))?.Content is { } erasure)
        {
            // What was erased is gone; how much of it there was is in the erasure's own entry.
            return erasure.FactSequence == chain.Facts && Same(erasure.FactHead, chain.FactHead) ? null : new ChainBreak(chain.Facts + 1, LedgerProblem.FactEndDiffers);
        }

        byte[] previous = DecisionChain.Empty(chain.Id).FactHead;
        long sequence = 0;
        foreach (FactRow fact in facts)
        {
            sequence++;
            if (fact.Sequence > sequence)
            {
                return new ChainBreak(sequence, LedgerProblem.FactMissing);
            }

            bool isWhole = fact.Sequence == sequence && fact.Salt.Length == DecisionChain.SaltLength && IsWhole(fact.ReceivedAt) && IsWhole(fact.LastUpdated);
            if (!isWhole || !Same(fact.Hash, FactChain.HashOf(previous, chain.Id, fact)))
            {
                return new ChainBreak(sequence, LedgerProblem.FactDiffers);
            }

            previous = fact.Hash;
        }

        if (sequence != chain.Facts || !Same(previous, chain.FactHead))
        {
            return new ChainBreak(sequence + 1, LedgerProblem.FactEndDiffers);
        }

        DecisionContentRow? other = entries.Select(e => e.Content).OfType<DecisionContentRow>().FirstOrDefault(c => !Knew(c, facts, chain.Id));
        return other is null ? null : new ChainBreak(other.Sequence, LedgerProblem.KnownFactsDiffer);
    }

    internal static bool IsErasure(DecisionContentRow? content) => content?.Rule == DecisionChain.ErasureRule;

    private static bool Knew(DecisionContentRow content, ImmutableArray<FactRow> facts, Guid chainId) => content.FactSequence switch
    {
        0 => Same(content.FactHead, DecisionChain.Empty(chainId).FactHead),
        var n when n > 0 && n <= facts.Length => Same(content.FactHead, facts[(int)n - 1].Hash),
        _ => false,
    };

    private static LedgerProblem? ProblemOf(ChainEntry entry, Guid chainId, long sequence, byte[] previous, long erasedUpTo)
    {
        (DecisionRow decision, DecisionContentRow? content) = entry;
        if (decision.Sequence > sequence)
        {
            return LedgerProblem.EntryMissing;
        }

        if (!Same(decision.PreviousHash, previous))
        {
            return LedgerProblem.PreviousHashDiffers;
        }

        byte[] hash = DecisionChain.HashOf(previous, chainId, sequence, decision.DecidedAt, decision.PolicyHash, decision.ContentDigest);
        if (decision.Sequence != sequence || !IsWhole(decision.DecidedAt) || !Same(decision.Hash, hash))
        {
            return LedgerProblem.HashDiffers;
        }

        if (content is null)
        {
            return sequence < erasedUpTo ? null : LedgerProblem.ContentMissing;
        }

        bool sameContent = content.ChainId == chainId && content.Sequence == sequence && content.Salt.Length == DecisionChain.SaltLength
            && Same(decision.ContentDigest, DecisionChain.DigestOf(content));
        return sameContent ? null : LedgerProblem.ContentDiffers;
    }

    // Hashed are milliseconds; a part of one was not written here.
    private static bool IsWhole(DateTimeOffset? instant) => instant is null || instant == instant.Value.Cut();

    private static bool Same(byte[] left, byte[] right) => CryptographicOperations.FixedTimeEquals(left, right);
}
