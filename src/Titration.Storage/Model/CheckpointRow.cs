namespace Titration.Storage.Model;

/// <summary>A seal over the ends of all chains at one moment, itself chained to the one before.</summary>
public sealed class CheckpointRow
{
    /// <summary>From 1, without gaps.</summary>
    public required long Id { get; init; }

    public required DateTimeOffset At { get; init; }

    public required byte[] RootHash { get; init; }

    /// <summary>Over <see cref="RootHash"/>, by the clinic's key; null where it has none.</summary>
    public byte[]? Signature { get; init; }

    /// <summary>Decisions in all chains then.</summary>
    public required long Decisions { get; init; }

    /// <summary>Facts of all patients then.</summary>
    public required long Facts { get; init; }
}

/// <summary>The ends of a patient's chains where they had grown since the checkpoint before.</summary>
public sealed class CheckpointHeadRow
{
    public required Guid ChainId { get; init; }

    public required long Length { get; init; }

    public required byte[] Head { get; init; }

    public required long Facts { get; init; }

    public required byte[] FactHead { get; init; }

    public required long CheckpointId { get; init; }
}
