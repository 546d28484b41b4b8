using System.Text.Json.Serialization;

namespace Titration.Storage.Model;

/// <summary>What has become of a message in quarantine.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<QuarantineState>))]
public enum QuarantineState
{
    [JsonStringEnumMemberName("held")] Held,

    /// <summary>Somebody asked for it to be read again; a worker does so with its next round.</summary>
    [JsonStringEnumMemberName("retry-requested")] RetryRequested,

    /// <summary>Read again, and taken in as far as it says anything.</summary>
    [JsonStringEnumMemberName("retried")] Retried,

    [JsonStringEnumMemberName("discarded")] Discarded,
}

/// <summary>Bytes that could not be read, and why. Kept once, however often they come.</summary>
public sealed class QuarantineRow
{
    public long Id { get; init; }

    /// <summary>SHA-256 of the bytes.</summary>
    public required byte[] ContentHash { get; init; }

    public required byte[] Content { get; init; }

    /// <summary>Where it came from: <c>queue</c>, <c>http</c>, <c>backfill</c>, <c>poll</c>, <c>waiting</c>, or <c>retry</c> for a part of a message that was read again.</summary>
    public required string Source { get; init; }

    /// <summary>The patient, as far as it could be read: what an erasure goes by.</summary>
    public string? Patient { get; init; }

    public required string Reason { get; init; }

    /// <summary>Where in the resource the trouble is; empty where it is the whole.</summary>
    public required string Path { get; init; }

    public required string Problem { get; init; }

    public required DateTimeOffset ReceivedAt { get; init; }

    public required DateTimeOffset LastReceivedAt { get; init; }

    public required int Count { get; init; }

    public required QuarantineState State { get; init; }

    public DateTimeOffset? RetriedAt { get; init; }
}

/// <summary>Why a resource waits.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<WaitingReason>))]
public enum WaitingReason
{
    /// <summary>Something that it refers to could not be fetched yet.</summary>
    [JsonStringEnumMemberName("reference-missing")] ReferenceMissing,

    /// <summary>The clinic's mapping does not know its code.</summary>
    [JsonStringEnumMemberName("unmapped")] Unmapped,
}

/// <summary>A well-formed resource that cannot be used yet.</summary>
public sealed class WaitingRow
{
    public long Id { get; init; }

    /// <summary>SHA-256 of the bytes.</summary>
    public required byte[] ContentHash { get; init; }

    public required byte[] Content { get; init; }

    /// <summary>The patient, as far as it could be read: what an erasure goes by.</summary>
    public string? Patient { get; init; }

    public required WaitingReason Reason { get; init; }

    /// <summary>JSON array of the references or codes (<c>system|code</c>) that it waits for.</summary>
    public required string Wanted { get; init; }

    public required DateTimeOffset ReceivedAt { get; init; }

    public string? TraceParent { get; init; }

    public int Attempts { get; init; }

    /// <summary>Null: only when the mapping changes.</summary>
    public DateTimeOffset? NotBefore { get; init; }
}

/// <summary>A code that the mapping does not know: clinic IT is told once.</summary>
public sealed class UnmappedCodeRow
{
    public required string System { get; init; }

    public required string Code { get; init; }

    /// <summary>The type of the first resource that used it.</summary>
    public required string ResourceType { get; init; }

    public required DateTimeOffset FirstSeen { get; init; }

    public required DateTimeOffset LastSeen { get; init; }

    public required int Count { get; init; }
}
