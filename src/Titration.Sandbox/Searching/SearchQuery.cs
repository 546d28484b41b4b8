using System.Collections.Immutable;
using System.Globalization;
using Microsoft.AspNetCore.WebUtilities;
using Microsoft.Extensions.Primitives;
using Titration.Sandbox.Rest;

namespace Titration.Sandbox.Searching;

/// <summary>A search of one type. All criteria must hold; of the values of one criterion, any.</summary>
/// <param name="Count">Resources to a page, 1 to <see cref="MaxCount"/>.</param>
/// <param name="After">Where the page begins, from <see cref="SearchPage.Next"/>; 0 is the first.</param>
public sealed record SearchQuery(string Type, ImmutableArray<SearchCriterion> Criteria, int Count, long After)
{
    public const int DefaultCount = 50;
    public const int MaxCount = 500;

    /// <summary>Bounds the SQL that one search can become.</summary>
    private const int MaxValues = 100;

    /// <summary>The parameters as they came, without <c>_page</c> and <c>_format</c>: what a link to another page repeats.</summary>
    internal ImmutableArray<KeyValuePair<string, string>> Parameters { get; init; } = [];

    /// <summary>Reads a query string, percent-encoded, with or without the leading question mark.</summary>
    /// <param name="baseUrl">Absolute references below it are taken as references to this server.</param>
    /// <exception cref="RefusedException">A parameter is unknown, or its value cannot be read; the issue names it.</exception>
    public static SearchQuery Parse(string type, string query, string baseUrl)
    {
        ImmutableArray<SearchCriterion>.Builder criteria = ImmutableArray.CreateBuilder<SearchCriterion>();
        ImmutableArray<KeyValuePair<string, string>>.Builder parameters = ImmutableArray.CreateBuilder<KeyValuePair<string, string>>();
        int count = DefaultCount;
        long after = 0;
        foreach ((string name, string value) in Pairs(query))
        {
            switch (name)
            {
                case "_format":
                    continue;
                case "_page":
                    after = Number(name, value, long.MaxValue);
                    continue;
                case "_count":
                    count = (int)Math.Min(Number(name, value, int.MaxValue), MaxCount);
                    break;
                default:
                    criteria.Add(SearchCriterion.Parse(type, name, value, baseUrl));
                    break;
            }

            parameters.Add(new(name, value));
        }

        if (criteria.Sum(c => c.ValueCount) > MaxValues)
        {
            throw RefusedException.BadRequest("too-costly", $"At most {MaxValues} values can be searched for at once.");
        }

        return new SearchQuery(type, criteria.DrainToImmutable(), count, after) { Parameters = parameters.DrainToImmutable() };
    }

    /// <summary>As <see cref="Parse"/>, for <c>If-None-Exist</c>: there has to be something to look for.</summary>
    internal static SearchQuery ParseCondition(string type, string query, string baseUrl)
    {
        SearchQuery parsed = Parse(type, query, baseUrl);
        return parsed.Criteria.IsEmpty || parsed.After != 0
            ? throw RefusedException.BadRequest("invalid", "If-None-Exist needs at least one search criterion, such as identifier=system|value.")
            : parsed;
    }

    /// <summary>The query string of a page of this search.</summary>
    internal string ToQueryString(long after)
    {
        IEnumerable<KeyValuePair<string, string>> all = after == 0 ? Parameters : [.. Parameters, new("_page", after.ToString(CultureInfo.InvariantCulture))];
        return string.Join('&', all.Select(p => $"{Uri.EscapeDataString(p.Key)}={Uri.EscapeDataString(p.Value)}"));
    }

    private static IEnumerable<(string Name, string Value)> Pairs(string query) =>
        from parameter in QueryHelpers.ParseQuery(query)
        from value in (IEnumerable<string?>)(parameter.Value is { Count: > 0 } values ? values : new StringValues(""))
        select (parameter.Key, value ?? "");

    private static long Number(string name, string value, long max) =>
        long.TryParse(value, NumberStyles.None, CultureInfo.InvariantCulture, out long number) && number is > 0 && number <= max
            ? number
            : throw RefusedException.Parameter(name, "takes a whole number from 1");
}
