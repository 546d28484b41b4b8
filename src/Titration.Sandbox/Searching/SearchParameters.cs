using System.Collections.Frozen;
using System.Text.Json;
using System.Text.RegularExpressions;
using Hl7.Fhir.Model;

namespace Titration.Sandbox.Searching;

/// <summary>A search parameter of one resource type.</summary>
/// <param name="Element">The top-level element whose values are searched.</param>
/// <param name="IsReference">It finds references; otherwise tokens (identifiers and codes).</param>
/// <param name="PatientOnly">References to anything but a Patient do not count.</param>
internal sealed record SearchParameter(string Name, string Element, bool IsReference, bool PatientOnly);

/// <summary>One value that one resource can be found by.</summary>
/// <param name="System">For a reference to this server the resource type it points to; empty where a token has no system.</param>
internal readonly record struct IndexEntry(string Parameter, string System, string Value);

/// <summary>
/// Which types are served and what they can be searched by: of the parameters R4 defines, those named here whose values stand in one top-level
/// element. <c>_id</c> and <c>_lastUpdated</c> come on top for all types.
/// </summary>
internal static partial class SearchParameters
{
    private static readonly string[] Names = ["identifier", "patient", "subject", "status", "code", "focus"];

    // Binary has rules of its own for its content, and the others travel but are not kept.
    private static readonly string[] NotServed = ["Binary", "Bundle", "OperationOutcome", "Parameters"];

    private static readonly FrozenDictionary<string, FrozenDictionary<string, SearchParameter>> ByType = ModelInfo.SupportedResources
        .Except(NotServed, StringComparer.Ordinal)
        .ToFrozenDictionary(type => type, Of, StringComparer.Ordinal);

    public static IEnumerable<string> Types => ByType.Keys.Order(StringComparer.Ordinal);

    public static bool IsServed(string type) => ByType.ContainsKey(type);

    public static IEnumerable<SearchParameter> For(string type) => ByType[type].Values.OrderBy(p => p.Name, StringComparer.Ordinal);

    public static SearchParameter? Find(string type, string name) => ByType[type].GetValueOrDefault(name);

    /// <summary>All values the resource can be found by. A reference that is absolute is indexed as it stands, one that is contained or logical not at all.</summary>
    public static IEnumerable<IndexEntry> Index(string type, JsonElement resource)
    {
        foreach (SearchParameter parameter in ByType[type].Values)
        {
            if (resource.TryGetProperty(parameter.Element, out JsonElement element))
            {
                foreach (IndexEntry entry in Items(element).SelectMany(item => Entries(parameter, item)))
                {
                    yield return entry;
                }
            }
        }
    }

    /// <summary>Splits <c>Type/id</c>, with or without a version, or null if the text is no such reference.</summary>
    public static (string Type, string Id)? LocalReference(string text) =>
        LocalReferencePattern().Match(text) is { Success: true } match && IsServed(match.Groups["type"].Value)
            ? (match.Groups["type"].Value, match.Groups["id"].Value)
            : null;

    private static FrozenDictionary<string, SearchParameter> Of(string type) => ModelInfo.SearchParameters
        .Where(p => p.Resource == type && Names.Contains(p.Name) && p.Path is [string path] && path.Count(c => c == '.') == 1)
        .Select(p => new SearchParameter(p.Name!, p.Path![0][(type.Length + 1)..], p.Type == SearchParamType.Reference, p.Name == "patient"))
        .ToFrozenDictionary(p => p.Name, StringComparer.Ordinal);

    private static IEnumerable<JsonElement> Items(JsonElement element) =>
        element.ValueKind == JsonValueKind.Array ? element.EnumerateArray().AsEnumerable() : [element];

    private static IEnumerable<IndexEntry> Entries(SearchParameter parameter, JsonElement item)
    {
        if (parameter.IsReference)
        {
            return Reference(parameter, Text(item, "reference"));
        }

        return item switch
        {
            { ValueKind: JsonValueKind.String } => [new IndexEntry(parameter.Name, "", item.GetString()!)],
            { ValueKind: JsonValueKind.Object } when item.TryGetProperty("coding", out JsonElement codings) =>
                codings.EnumerateArray().SelectMany(coding => Token(parameter, coding, "code")),
            { ValueKind: JsonValueKind.Object } => Token(parameter, item, item.TryGetProperty("code", out _) ? "code" : "value"),
            _ => [],
        };
    }

    private static IEnumerable<IndexEntry> Token(SearchParameter parameter, JsonElement item, string valueName) =>
        Text(item, valueName) is string value ? [new IndexEntry(parameter.Name, Text(item, "system") ?? "", value)] : [];

    private static IEnumerable<IndexEntry> Reference(SearchParameter parameter, string? text)
    {
        if (text is not null && LocalReference(text) is (string type, string id))
        {
            return parameter.PatientOnly && type != "Patient" ? [] : [new IndexEntry(parameter.Name, type, id)];
        }

        bool isAbsolute = text is not null && text.Contains("://", StringComparison.Ordinal);
        return isAbsolute && (!parameter.PatientOnly || text!.Contains("/Patient/", StringComparison.Ordinal))
            ? [new IndexEntry(parameter.Name, "", text!)]
            : [];
    }

    private static string? Text(JsonElement item, string name) =>
        item.ValueKind == JsonValueKind.Object && item.TryGetProperty(name, out JsonElement value) && value.ValueKind == JsonValueKind.String
            ? value.GetString()
            : null;

    [GeneratedRegex(@"^(?<type>[A-Z][A-Za-z]+)/(?<id>[A-Za-z0-9\-\.]{1,64})(?:/_history/[A-Za-z0-9\-\.]{1,64})?\z", RegexOptions.CultureInvariant, matchTimeoutMilliseconds: 1000)]
    private static partial Regex LocalReferencePattern();
}
