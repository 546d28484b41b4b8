using System.Collections.Immutable;
using System.Text.Json;

namespace Titration.Worker.Delivery;

/// <summary>What a CapabilityStatement says of one resource type. A property that it leaves out is null: it says nothing of it.</summary>
public sealed record TypeAbilities
{
    public static readonly TypeAbilities None = new();

    public ImmutableHashSet<string> Interactions { get; init; } = [];

    public ImmutableHashSet<string> SearchParameters { get; init; } = [];

    public bool? ConditionalCreate { get; init; }

    public bool? UpdateCreate { get; init; }

    /// <summary><c>no-version</c>, <c>versioned</c> or <c>versioned-update</c>.</summary>
    public string? Versioning { get; init; }
}

/// <summary>How something is written whose id is our own and that has no identifier of ours to be found by.</summary>
public enum OwnIdWriting
{
    /// <summary>PUT under the derived id: the server creates what is not there.</summary>
    UpdateAsCreate,

    /// <summary>POST with <c>If-None-Exist</c>: the server chooses the id, and finds it again by what it refers to.</summary>
    ConditionalCreate,
}

/// <summary>What the FHIR server says of itself (its CapabilityStatement, R4), as far as it matters here.</summary>
public sealed record ServerAbilities
{
    /// <summary>Of a server that says nothing: everything is tried as it is by itself.</summary>
    public static readonly ServerAbilities Unknown = new();

    public string? FhirVersion { get; init; }

    /// <summary>Name and version of the software; null where it does not say.</summary>
    public string? Software { get; init; }

    public ImmutableHashSet<string> Formats { get; init; } = [];

    public ImmutableDictionary<string, TypeAbilities> Types { get; init; } = ImmutableDictionary<string, TypeAbilities>.Empty;

    /// <summary>Search parameters of all types.</summary>
    public ImmutableHashSet<string> CommonParameters { get; init; } = [];

    public TypeAbilities Of(string type) => Types.GetValueOrDefault(type, TypeAbilities.None);

    /// <summary>Whether a type can be searched by a parameter, as far as the statement says.</summary>
    public bool CanSearch(string type, string parameter) =>
        Of(type).Interactions.Contains("search-type") && (Of(type).SearchParameters.Contains(parameter) || CommonParameters.Contains(parameter));

    /// <summary>
    /// By PUT where the statement allows it, or says nothing of it and of the other way neither; else by conditional create, where it finds by all of
    /// the parameters.
    /// </summary>
    /// <param name="type">The type.</param>
    /// <param name="findBy">The parameters that find it again.</param>
    public OwnIdWriting WritingOf(string type, params ReadOnlySpan<string> findBy)
    {
        TypeAbilities abilities = Of(type);
        if (abilities.UpdateCreate == true || abilities.ConditionalCreate != true)
        {
            return OwnIdWriting.UpdateAsCreate;
        }

        foreach (string parameter in findBy)
        {
            if (!abilities.SearchParameters.Contains(parameter))
            {
                return OwnIdWriting.UpdateAsCreate;
            }
        }

        return OwnIdWriting.ConditionalCreate;
    }

    /// <summary>Reads a CapabilityStatement; what in it is not of the expected shape is passed over.</summary>
    public static ServerAbilities Of(JsonElement statement)
    {
        JsonElement rest = Items(statement, "rest").FirstOrDefault(r => Text(r, "mode") == "server");
        return new ServerAbilities
        {
            FhirVersion = Text(statement, "fhirVersion"),
            Software = Member(statement, "software") is { } software ? $"{Text(software, "name")} {Text(software, "version")}".Trim() : null,
            Formats = [.. Strings(statement, "format")],
            Types = Items(rest, "resource").Where(r => Text(r, "type") is not null)
                .GroupBy(r => Text(r, "type")!, StringComparer.Ordinal).ToImmutableDictionary(g => g.Key, g => OfType(g.First()), StringComparer.Ordinal),
            CommonParameters = [.. Named(rest, "searchParam", "name")],
        };
    }

    private static TypeAbilities OfType(JsonElement resource) => new()
    {
        Interactions = [.. Named(resource, "interaction", "code")],
        SearchParameters = [.. Named(resource, "searchParam", "name")],
        ConditionalCreate = Flag(resource, "conditionalCreate"),
        UpdateCreate = Flag(resource, "updateCreate"),
        Versioning = Text(resource, "versioning"),
    };

    internal static JsonElement? Member(JsonElement element, string name) =>
        element.ValueKind == JsonValueKind.Object && element.TryGetProperty(name, out JsonElement member) ? member : null;

    internal static string? Text(JsonElement element, string name) =>
        Member(element, name) is { ValueKind: JsonValueKind.String } member ? member.GetString() : null;

    internal static IEnumerable<JsonElement> Items(JsonElement element, string name) =>
        Member(element, name) is { ValueKind: JsonValueKind.Array } member ? member.EnumerateArray() : [];

    private static bool? Flag(JsonElement element, string name) => Member(element, name)?.ValueKind switch
    {
        JsonValueKind.True => true,
        JsonValueKind.False => false,
        _ => null,
    };

    private static IEnumerable<string> Named(JsonElement element, string list, string name) => Items(element, list).Select(i => Text(i, name)).OfType<string>();

    private static IEnumerable<string> Strings(JsonElement element, string name) =>
        Items(element, name).Where(i => i.ValueKind == JsonValueKind.String).Select(i => i.GetString()!);
}
