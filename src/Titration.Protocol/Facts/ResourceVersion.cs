using System.Text.Json.Serialization;

namespace Titration.Protocol.Facts;

/// <summary>One version of one FHIR resource: what a fact cites as its source.</summary>
/// <param name="Type">The resource type, such as <c>Observation</c>.</param>
/// <param name="Id">The logical id on the clinic's server.</param>
/// <param name="VersionId"><c>meta.versionId</c>: opaque, compared for equality only; null where the server gave none.</param>
/// <param name="LastUpdated"><c>meta.lastUpdated</c>, by which versions are ordered; null where the server gave none.</param>
/// <param name="ContentHash">SHA-256 of the received resource, and of what in it was not understood, lower-case hexadecimal: tells two contents under one version apart.</param>
public sealed record ResourceVersion(string Type, string Id, string? VersionId, DateTimeOffset? LastUpdated, string ContentHash)
{
    /// <summary><c>Type/id</c>, followed by <c>/_history/version</c> where the version is known.</summary>
    [JsonIgnore]
    public string Reference => VersionId is null ? $"{Type}/{Id}" : $"{Type}/{Id}/_history/{VersionId}";
}
