using Titration.Protocol.Facts;

namespace Titration.Storage.Model;

/// <summary>A fact as it was taken in. Never changed; only an erasure removes it.</summary>
public sealed class FactRow
{
    public required string Patient { get; init; }

    /// <summary>Order of arrival within the patient, from 1. It decides nothing; it says what a decision could know.</summary>
    public required long Sequence { get; init; }

    public required string ResourceType { get; init; }

    public required string ResourceId { get; init; }

    /// <summary><c>meta.versionId</c>; empty where the server gave none, so that the unique index sees it.</summary>
    public required string VersionId { get; init; }

    public required string ContentHash { get; init; }

    public DateTimeOffset? LastUpdated { get; init; }

    /// <summary>UTF-8 JSON of the fact.</summary>
    public required byte[] Content { get; init; }

    public required DateTimeOffset ReceivedAt { get; init; }

    /// <summary>W3C traceparent of the message that brought it.</summary>
    public string? TraceParent { get; init; }

    /// <summary>Of its hash, which says nothing of the fact once this is erased.</summary>
    public byte[] Salt { get; set; } = [];

    /// <summary>Set by <see cref="Ledger.FactChain.Append"/>.</summary>
    public byte[] Hash { get; set; } = [];

    public static FactRow Of(Fact fact, long sequence, DateTimeOffset receivedAt, string? traceParent) => new()
    {
        Patient = fact.Patient,
        Sequence = sequence,
        ResourceType = fact.Source.Type,
        ResourceId = fact.Source.Id,
        VersionId = fact.Source.VersionId ?? "",
        ContentHash = fact.Source.ContentHash,
        LastUpdated = fact.Source.LastUpdated?.Cut(),
        Content = StoredJson.Write(fact),
        ReceivedAt = receivedAt.Cut(),
        TraceParent = traceParent,
    };
}
