using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>The different contents of each resource. Nearly all resources have one version, so that only those with more are kept by their content.</summary>
internal sealed class Versions<T>(int capacity) where T : Fact
{
    private readonly Dictionary<string, T> _first = new(capacity, StringComparer.Ordinal);
    private readonly Dictionary<string, Dictionary<string, T>> _several = new(StringComparer.Ordinal);

    /// <summary>Adds a version; one whose content is known already changes nothing.</summary>
    public void Add(T fact)
    {
        string id = fact.Source.Id;
        if (_first.TryAdd(id, fact))
        {
            return;
        }

        if (!_several.TryGetValue(id, out Dictionary<string, T>? byContent))
        {
            T first = _first[id];
            byContent = new(StringComparer.Ordinal) { [first.Source.ContentHash] = first };
            _several.Add(id, byContent);
        }

        byContent.TryAdd(fact.Source.ContentHash, fact);
    }

    /// <summary>One version of each resource, in no order that matters.</summary>
    public Dictionary<string, T>.ValueCollection OneOfEach => _first.Values;

    /// <summary>All versions of the resource of this one, in no order that matters; null: this is the only one.</summary>
    public List<T>? AllOf(T version) => _several.GetValueOrDefault(version.Source.Id) is { Count: > 1 } byContent ? [.. byContent.Values] : null;

    /// <summary>
    /// One version, or the several among which the newest cannot be told: <c>meta.lastUpdated</c> missing or tied, or one
    /// version id with two contents.
    /// </summary>
    public static List<T> NewestOf(List<T> versions)
    {
        versions.Sort((a, b) => string.CompareOrdinal(a.Source.ContentHash, b.Source.ContentHash));
        if (versions.Exists(v => v.Source.LastUpdated is null))
        {
            return versions;
        }

        DateTimeOffset latest = versions.Max(v => v.Source.LastUpdated!.Value);
        List<T> newest = versions.FindAll(v => v.Source.LastUpdated == latest);
        string? versionId = newest[0].Source.VersionId;
        return versionId is null || newest.Count > 1 ? newest : versions.FindAll(v => v.Source.VersionId == versionId);
    }
}
