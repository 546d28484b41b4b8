namespace Titration.Storage.Model;

/// <summary>How far the FHIR server has been read by <c>meta.lastUpdated</c>: everything changed before <see cref="Until"/> is here.</summary>
public sealed class ReadPositionRow
{
    /// <summary><c>backfill</c> or <c>poll</c>.</summary>
    public required string Purpose { get; init; }

    public required string ResourceType { get; init; }

    public required DateTimeOffset Until { get; set; }
}

/// <summary>A resource that a backfill has read and not yet handed on: a patient's are taken in together, once all are here.</summary>
public sealed class StagedResourceRow
{
    public required string ResourceType { get; init; }

    public required string ResourceId { get; init; }

    /// <summary>Empty where the server keeps no versions.</summary>
    public required string VersionId { get; init; }

    /// <summary>Whose; empty where it could not be read.</summary>
    public required string Patient { get; init; }

    /// <summary>Its bytes.</summary>
    public required byte[] Content { get; init; }

    /// <summary>The Medication that an order refers to; null where it needs none, or it could not be had.</summary>
    public byte[]? Medication { get; init; }
}
