using System.Text.RegularExpressions;
using Hl7.Fhir.Model;

namespace Titration.Fhir.Reading;

/// <summary>A literal reference to a resource on a server, whatever base address stands before it: one deployment serves one base.</summary>
/// <param name="Type">The resource type.</param>
/// <param name="Id">The logical id.</param>
/// <param name="Version">The version, where the reference names one.</param>
internal sealed partial record FhirReference(string Type, string Id, string? Version)
{
    private const int LongestReference = 2_000;

    /// <summary><c>Type/id</c>, with <c>/_history/version</c> where one is named.</summary>
    public string Text => Version is null ? $"{Type}/{Id}" : $"{Type}/{Id}/_history/{Version}";

    /// <summary><c>Type/id</c>.</summary>
    public string Unversioned => $"{Type}/{Id}";

    /// <summary>The reference, or null where the text is none to <c>Type/id</c> (a contained resource, a <c>urn:</c>, a search).</summary>
    public static FhirReference? Parse(string? text)
    {
        if (text is null or { Length: 0 or > LongestReference } || Pattern().Match(text) is not { Success: true } match)
        {
            return null;
        }

        string type = match.Groups["type"].Value;
        System.Text.RegularExpressions.Group version = match.Groups["version"];
        return ModelInfo.IsKnownResource(type) ? new(type, match.Groups["id"].Value, version.Success ? version.Value : null) : null;
    }

    /// <summary>The patient a resource is about; refuses any other subject.</summary>
    public static string? PatientOf(ResourceReference? subject, string path, Remarks remarks)
    {
        if (Parse(subject?.Reference) is { Type: "Patient" } patient)
        {
            return patient.Id;
        }

        remarks.Refuse($"{path}.reference", "A reference to a Patient by its id is needed, such as Patient/123.");
        return null;
    }

    /// <summary>The id of what is referred to, where it is of this type.</summary>
    public static string? IdOf(string type, ResourceReference? reference) =>
        Parse(reference?.Reference) is { } parsed && parsed.Type == type ? parsed.Id : null;

    /// <summary>Whether a text is a FHIR id.</summary>
    public static bool IsId(string? text) => text is { Length: >= 1 and <= 64 } && text.All(IsOfId);

    /// <summary>Whether a letter may stand in a FHIR id.</summary>
    public static bool IsOfId(char letter) => char.IsAsciiLetterOrDigit(letter) || letter is '.' or '-';

    [GeneratedRegex(@"^(?:https?://[^\s?#]+/)?(?<type>[A-Z][A-Za-z]{1,63})/(?<id>[A-Za-z0-9.-]{1,64})(?:/_history/(?<version>[A-Za-z0-9.-]{1,64}))?\z",
        RegexOptions.ExplicitCapture | RegexOptions.NonBacktracking)]
    private static partial Regex Pattern();
}
