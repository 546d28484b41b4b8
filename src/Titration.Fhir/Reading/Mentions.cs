using System.Collections.Immutable;
using System.Text;
using System.Text.Json;
using System.Text.RegularExpressions;

namespace Titration.Fhir.Reading;

/// <summary>
/// Which resources a message names, by the letters alone: also where it is no JSON, is cut off, or is of another encoding. It goes by literal references
/// (<c>Patient/123</c>) and by resources that stand in it with their id; a number or a name of a patient it cannot know.
/// </summary>
public static partial class Mentions
{
    private const string Patient = "Patient/";

    /// <summary>The resources, each as <c>Type/id</c>.</summary>
    public static ImmutableHashSet<string> In(ReadOnlyMemory<byte> message)
    {
        using JsonDocument? document = JsonBody.Parse(message, duplicates: true);
        return In(message.Span, document);
    }

    private static ImmutableHashSet<string> In(ReadOnlySpan<byte> message, JsonDocument? document)
    {
        string text = Plain(message);
        ImmutableHashSet<string>.Builder found = ImmutableHashSet.CreateBuilder<string>(StringComparer.Ordinal);
        foreach (Match reference in Reference().Matches(text))
        {
            int end = reference.Index + reference.Length;
            bool isWhole = (reference.Index == 0 || !char.IsAsciiLetterOrDigit(text[reference.Index - 1])) && (end == text.Length || !FhirReference.IsOfId(text[end]));
            if (isWhole)
            {
                found.Add(reference.Value);
            }
        }

        if (document is null || !TryAddResources(document.RootElement, found))
        {
            AddResources(text, found);
        }

        return found.ToImmutable();
    }

    /// <summary>
    /// The logical ids of the patients whom a message tells of, in order: the subject of a resource where it can be read, whoever else is named in it; else
    /// every patient that is named.
    /// </summary>
    public static ImmutableArray<string> Patients(ReadOnlyMemory<byte> message)
    {
        using JsonDocument? document = JsonBody.Parse(message, duplicates: true);
        if (document is not null && SubjectOf(document.RootElement) is { } subject)
        {
            return [subject];
        }

        return [.. In(message.Span, document).Where(m => m.StartsWith(Patient, StringComparison.Ordinal)).Select(m => m[Patient.Length..]).Order(StringComparer.Ordinal)];
    }

    private static string? SubjectOf(JsonElement resource)
    {
        try
        {
            JsonElement? subject = resource.Member("subject"u8) ?? resource.Member("for"u8) ?? resource.Member("patient"u8);
            return resource.Text("resourceType"u8) == "Patient" ? resource.Header().Id
                : FhirReference.Parse(subject?.Text("reference"u8)) is { Type: "Patient" } patient ? patient.Id
                : null;
        }
        catch (InvalidOperationException)
        {
            // A string in it cannot be decoded.
            return null;
        }
    }

    /// <returns>False where a string cannot be decoded.</returns>
    private static bool TryAddResources(JsonElement element, ImmutableHashSet<string>.Builder found)
    {
        try
        {
            Add(element);
            return true;
        }
        catch (InvalidOperationException)
        {
            return false;
        }

        void Add(JsonElement one)
        {
            if (one.ValueKind == JsonValueKind.Array)
            {
                foreach (JsonElement item in one.EnumerateArray())
                {
                    Add(item);
                }
            }
            else if (one.ValueKind == JsonValueKind.Object)
            {
                if (one.Header() is { Type: { } type, Id: { } id })
                {
                    found.Add($"{type}/{id}");
                }

                foreach (JsonProperty member in one.EnumerateObject())
                {
                    Add(member.Value);
                }
            }
        }
    }

    /// <summary>Where the type stands before the id and where after it, the nearest of both belong together: better one too many than one too few.</summary>
    private static void AddResources(string text, ImmutableHashSet<string>.Builder found)
    {
        string? type = null;
        string? id = null;
        foreach (Match member in TypeOrId().Matches(text))
        {
            string value = member.Groups["value"].Value;
            if (member.Groups["name"].Value == "id")
            {
                id = value;
                Add();
                type = null;
            }
            else
            {
                type = value;
                Add();
                id = null;
            }
        }

        void Add()
        {
            if (type is not null && id is not null)
            {
                found.Add($"{type}/{id}");
            }
        }
    }

    /// <summary>Ids are ASCII: whatever else a byte means does not matter. Escapes are undone, and the zeros of UTF-16 left out.</summary>
    private static string Plain(ReadOnlySpan<byte> message)
    {
        string text = Encoding.Latin1.GetString(message).Replace("\0", "", StringComparison.Ordinal);
        return text.Contains('\\', StringComparison.Ordinal)
            ? Escape().Replace(text, escape => escape.Groups["hex"] is { Success: true } hex ? $"{(char)Convert.ToUInt16(hex.Value, 16)}" : escape.Value[1..])
            : text;
    }

    [GeneratedRegex(@"[A-Z][A-Za-z]{1,63}/[A-Za-z0-9.-]{1,64}", RegexOptions.ExplicitCapture | RegexOptions.NonBacktracking)]
    private static partial Regex Reference();

    [GeneratedRegex(@"""(?<name>id|resourceType)""\s*:\s*""(?<value>[A-Za-z0-9.-]{1,64})""", RegexOptions.ExplicitCapture | RegexOptions.NonBacktracking)]
    private static partial Regex TypeOrId();

    [GeneratedRegex(@"\\(?:u(?<hex>[0-9A-Fa-f]{4})|[""\\/])", RegexOptions.ExplicitCapture | RegexOptions.NonBacktracking)]
    private static partial Regex Escape();
}
