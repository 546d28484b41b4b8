using Titration.Protocol.Decisions;

namespace Titration.Storage.Model;

/// <summary>A patient's chains of decisions and of facts: how long they are and where they end.</summary>
public sealed class ChainRow
{
    public required Guid Id { get; init; }

    public long Length { get; set; }

    /// <summary>Hash of the newest entry; 32 zero bytes before the first.</summary>
    public required byte[] Head { get; set; }

    /// <summary>How many facts there are of the patient.</summary>
    public long Facts { get; set; }

    /// <summary>Hash of the newest fact; 32 zero bytes before the first.</summary>
    public required byte[] FactHead { get; set; }
}

/// <summary>
/// A link of the chain. It names nobody and tells nothing of anybody, so that it can stay when the patient is erased.
/// Append only.
/// </summary>
public sealed class DecisionRow
{
    public required Guid ChainId { get; init; }

    /// <summary>Place in the chain, from 1.</summary>
    public required long Sequence { get; init; }

    public required DateTimeOffset DecidedAt { get; init; }

    public required string PolicyHash { get; init; }

    public required byte[] PreviousHash { get; init; }

    /// <summary>Salted digest of the <see cref="DecisionContentRow"/>.</summary>
    public required byte[] ContentDigest { get; init; }

    public required byte[] Hash { get; init; }
}

/// <summary>What was decided, and the salt of its digest. Append only; only an erasure removes it.</summary>
public sealed class DecisionContentRow
{
    public required Guid DecisionId { get; init; }

    public required Guid ChainId { get; init; }

    public required long Sequence { get; init; }

    /// <summary>Empty in the entry that an erasure leaves.</summary>
    public required string Patient { get; init; }

    public Guid? CourseId { get; init; }

    public Outcome? Outcome { get; init; }

    /// <summary>The rule that decided.</summary>
    public required string Rule { get; init; }

    /// <summary>Digest of the facts that went in.</summary>
    public required string InputDigest { get; init; }

    /// <summary>The newest fact that was known: a replay takes the patient's facts up to this sequence.</summary>
    public required long FactSequence { get; init; }

    /// <summary>The hash of that fact, and so of all before it; 32 zero bytes where there was none.</summary>
    public required byte[] FactHead { get; init; }

    public required byte[] Salt { get; init; }

    /// <summary>UTF-8 JSON of the evaluation, exactly the bytes that were hashed.</summary>
    public required byte[] Content { get; init; }
}
