using System.Text.Json;

namespace Titration.Sandbox.Rest;

/// <summary>One interaction asked for, by HTTP or by an entry of a Bundle.</summary>
/// <param name="Path">Relative to the base, decoded.</param>
/// <param name="Query">Percent-encoded, with or without the leading question mark.</param>
/// <param name="BaseUrl">Absolute, without a slash at the end.</param>
internal sealed record FhirRequest(string Method, string Path, string Query, string BaseUrl)
{
    /// <summary>Present for POST and PUT: one JSON object, not yet validated as FHIR.</summary>
    public JsonElement? Body { get; init; }

    public string? IfMatch { get; init; }

    public string? IfNoneMatch { get; init; }

    public string? IfNoneExist { get; init; }

    public string[] Segments { get; } = Path.Trim('/') is { Length: > 0 } path ? path.Split('/') : [];
}
