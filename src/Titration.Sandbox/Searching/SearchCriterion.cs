using System.Collections.Immutable;
using System.Text;
using Titration.Sandbox.Rest;

namespace Titration.Sandbox.Searching;

/// <summary>One condition of a search.</summary>
public abstract record SearchCriterion
{
    private SearchCriterion()
    {
    }

    internal abstract int ValueCount { get; }

    /// <summary>The resource has one of these ids.</summary>
    public sealed record IdIs(ImmutableArray<string> Values) : SearchCriterion
    {
        internal override int ValueCount => Values.Length;
    }

    /// <summary>The resource is indexed under one of these values of the parameter.</summary>
    public sealed record Indexed(string Parameter, ImmutableArray<IndexedValue> Values) : SearchCriterion
    {
        internal override int ValueCount => Values.Length;
    }

    /// <summary>The current version was written in this stretch of Unix milliseconds.</summary>
    /// <param name="From">Inclusive.</param>
    /// <param name="Before">Exclusive.</param>
    public sealed record UpdatedWithin(long From, long Before) : SearchCriterion
    {
        internal override int ValueCount => 1;
    }

    internal static SearchCriterion Parse(string type, string name, string value, string baseUrl)
    {
        if (name == "_lastUpdated")
        {
            return LastUpdated(value);
        }

        if (name == "_id")
        {
            return new IdIs([.. AnyOf(name, value).Select(Unescape)]);
        }

        SearchParameter parameter = SearchParameters.Find(type, name)
            ?? throw RefusedException.BadRequest("not-supported", $"The search parameter '{name}' is not supported for {type}.");
        return new Indexed(name, [.. AnyOf(name, value).Select(v => parameter.IsReference ? Reference(parameter, v, baseUrl) : Token(name, v))]);
    }

    private static UpdatedWithin LastUpdated(string value)
    {
        string prefix = value.Length > 2 && char.IsAsciiLetter(value[0]) ? value[..2] : "";
        if (SearchDate.Parse(value[prefix.Length..]) is not (long from, long before))
        {
            throw RefusedException.Parameter("_lastUpdated", "takes a date or an instant, such as ge2026-03-01T08:00:00Z (a + must be sent as %2B)");
        }

        return prefix switch
        {
            "" or "eq" => new UpdatedWithin(from, before),
            "ge" => new UpdatedWithin(from, long.MaxValue),
            "gt" => new UpdatedWithin(before, long.MaxValue),
            "le" => new UpdatedWithin(long.MinValue, before),
            "lt" => new UpdatedWithin(long.MinValue, from),
            _ => throw RefusedException.Parameter("_lastUpdated", "takes the prefixes eq, ge, gt, le and lt"),
        };
    }

    private static IndexedValue Token(string name, string value)
    {
        string[] parts = [.. Split(value, '|').Select(Unescape)];
        return parts switch
        {
            [string code] => new IndexedValue(null, code),
            [_, _] when name == "status" => throw RefusedException.Parameter(name, "takes a code without a system"),
            [string system, string code] when code.Length > 0 => new IndexedValue(system, code),
            _ => throw RefusedException.Parameter(name, "takes system|value, |value or value, any | within them escaped as \\|"),
        };
    }

    private static IndexedValue Reference(SearchParameter parameter, string value, string baseUrl)
    {
        string text = Unescape(value);
        string own = $"{baseUrl}/";
        string reference = text.StartsWith(own, StringComparison.Ordinal) ? text[own.Length..] : text;
        if (SearchParameters.LocalReference(reference) is (string type, string id))
        {
            return new IndexedValue(type, id);
        }

        if (text.Contains("://", StringComparison.Ordinal))
        {
            return new IndexedValue("", text);
        }

        return text.Contains('/', StringComparison.Ordinal)
            ? throw RefusedException.Parameter(parameter.Name, "takes an id, Type/id or a URL")
            : new IndexedValue(parameter.PatientOnly ? "Patient" : null, text);
    }

    private static List<string> AnyOf(string name, string value)
    {
        List<string> values = Split(value, ',');
        return values.Contains("", StringComparer.Ordinal) ? throw RefusedException.Parameter(name, "has an empty value") : values;
    }

    /// <summary>Splits at a separator that no backslash precedes; the escapes stay.</summary>
    private static List<string> Split(string text, char separator)
    {
        List<string> parts = [];
        int start = 0;
        for (int i = 0; i < text.Length; i++)
        {
            if (text[i] == '\\')
            {
                i++;
            }
            else if (text[i] == separator)
            {
                parts.Add(text[start..i]);
                start = i + 1;
            }
        }

        parts.Add(text[start..]);
        return parts;
    }

    private static string Unescape(string text)
    {
        if (!text.Contains('\\', StringComparison.Ordinal))
        {
            return text;
        }

        StringBuilder plain = new(text.Length);
        for (int i = 0; i < text.Length; i++)
        {
            bool escapes = text[i] == '\\' && i + 1 < text.Length;
            plain.Append(text[escapes ? ++i : i]);
        }

        return plain.ToString();
    }
}

/// <summary>A value looked for in the index.</summary>
/// <param name="System">Null matches any system (or any type of a reference); empty matches a value without one.</param>
public readonly record struct IndexedValue(string? System, string Value);
