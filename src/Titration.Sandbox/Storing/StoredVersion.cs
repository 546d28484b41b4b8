namespace Titration.Sandbox.Storing;

/// <summary>One version of one resource, exactly as it is served.</summary>
/// <param name="Version">Counts from 1 for each resource; it is also the value of <c>meta.versionId</c> and of the entity tag.</param>
/// <param name="LastUpdated">To the millisecond, UTC; always later than that of the version before (see <see cref="FhirStore"/>).</param>
/// <param name="Posted">The version was made by POST, so the client did not choose the id.</param>
/// <param name="Body">The resource as UTF-8 JSON, with id and meta filled in.</param>
public sealed record StoredVersion(string Type, string Id, int Version, DateTimeOffset LastUpdated, bool Posted, ReadOnlyMemory<byte> Body)
{
    /// <summary>Relative to the base, without the version: <c>Task/12</c>.</summary>
    public string Reference => $"{Type}/{Id}";

    /// <summary>Relative to the base, with the version: <c>Task/12/_history/3</c>.</summary>
    public string VersionedReference => $"{Type}/{Id}/_history/{Version}";

    /// <summary>The weak entity tag that <c>If-Match</c> and <c>If-None-Match</c> are compared with.</summary>
    public string EntityTag => $"W/\"{Version}\"";
}
