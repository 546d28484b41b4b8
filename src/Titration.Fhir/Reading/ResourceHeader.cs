namespace Titration.Fhir.Reading;

/// <summary>What identifies a resource, as far as it was there and could be read.</summary>
/// <param name="Type">The resource type.</param>
/// <param name="Id">The logical id.</param>
/// <param name="VersionId"><c>meta.versionId</c>.</param>
/// <param name="LastUpdated"><c>meta.lastUpdated</c>.</param>
public sealed record ResourceHeader(string? Type, string? Id, string? VersionId, DateTimeOffset? LastUpdated)
{
    /// <summary>Nothing could be read.</summary>
    public static ResourceHeader None { get; } = new(null, null, null, null);
}

/// <summary>A code in its system, as a clinic's mapping file names it.</summary>
/// <param name="System">The code system's address; empty where the resource named none.</param>
/// <param name="Code">The code.</param>
public readonly record struct SystemCode(string System, string Code);

/// <summary>How much is read at once. A body over a limit is refused unread.</summary>
/// <param name="BodyBytes">Bytes of one body.</param>
/// <param name="ResourceBytes">Bytes of one resource.</param>
/// <param name="ResourceTokens">JSON tokens of one resource; a complete check-in has about 150.</param>
/// <param name="Entries">Entries of one Bundle.</param>
/// <param name="Faults">Faults in one body after which its remaining resources are refused unread: each one costs time.</param>
public sealed record ReadingLimits(
    int BodyBytes = 10 * 1024 * 1024,
    int ResourceBytes = 2 * 1024 * 1024,
    int ResourceTokens = 5_000,
    int Entries = 10_000,
    int Faults = 5_000);
