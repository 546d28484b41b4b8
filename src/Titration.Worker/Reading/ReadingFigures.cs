using System.Collections.Immutable;
using Titration.Fhir.Reading;

namespace Titration.Worker.Reading;

/// <summary>How often something was met.</summary>
/// <param name="What">A code, or what is wrong.</param>
/// <param name="ResourceType">In resources of this type.</param>
/// <param name="Count">How often.</param>
internal sealed record Counted(string What, string ResourceType, int Count);

/// <summary>What a reading of the FHIR server has come upon, in numbers. For several readers at once.</summary>
internal sealed class ReadingFigures
{
    private readonly Lock _lock = new();
    private readonly Dictionary<string, (int Read, int Relevant)> _types = new(StringComparer.Ordinal);
    private readonly Dictionary<(string What, string Type), int> _unmapped = [];
    private readonly Dictionary<(string What, string Type), int> _unreadable = [];
    private readonly HashSet<(string? Type, string? Id, string? Version)> _seen = [];

    /// <summary>Of each type: how many were read, and how many say something of a titration.</summary>
    public ImmutableArray<(string Type, int Read, int Relevant)> Types
    {
        get
        {
            lock (_lock)
            {
                return [.. _types.OrderBy(t => t.Key, StringComparer.Ordinal).Select(t => (t.Key, t.Value.Read, t.Value.Relevant))];
            }
        }
    }

    /// <summary>Codes that no mapping knows, the most frequent first.</summary>
    public ImmutableArray<Counted> Unmapped => Sorted(_unmapped);

    /// <summary>What would go to quarantine, or goes there: why, and how often.</summary>
    public ImmutableArray<Counted> Unreadable => Sorted(_unreadable);

    /// <summary>Our own Tasks and CommunicationRequests whose communication this database does not know.</summary>
    public int UnknownOwn { get; private set; }

    /// <summary>Counts a resource.</summary>
    /// <param name="resource">The resource.</param>
    /// <param name="isOwnUnknown">One of ours, and not of this database.</param>
    /// <param name="isFuture">Dated too far ahead to be taken in.</param>
    /// <returns>False where this version was counted before.</returns>
    public bool Count(SortedResource resource, bool isOwnUnknown = false, bool isFuture = false)
    {
        lock (_lock)
        {
            ResourceHeader header = resource.Header;
            // What is skipped may be millions, and is not remembered: counted again where a window had to be read again.
            if (resource.Reading is not ResourceReading.Skipped && header.Id is not null && !_seen.Add((header.Type, header.Id, header.VersionId)))
            {
                return false;
            }

            string type = header.Type ?? "unknown";
            (int read, int relevant) = _types.GetValueOrDefault(type);
            _types[type] = (read + 1, relevant + (resource.Reading is ResourceReading.Skipped || isOwnUnknown ? 0 : 1));
            UnknownOwn += isOwnUnknown ? 1 : 0;
            if (isFuture)
            {
                Add(_unreadable, "dated more than 24 hours ahead", type);
            }

            switch (resource.Reading)
            {
                case ResourceReading.Understood { UnmappedCodes: var codes }:
                    AddAll(codes, type);
                    break;
                case ResourceReading.Unmapped { Codes: var codes }:
                    AddAll(codes, type);
                    if (codes.IsEmpty)
                    {
                        Add(_unmapped, "(a product in words only)", type);
                    }

                    break;
                case ResourceReading.Refused refused:
                    Add(_unreadable, $"{refused.Path}: {refused.Problem}", type);
                    break;
                case ResourceReading.Incomplete:
                    Add(_unreadable, "what it refers to is not on the FHIR server", type);
                    break;
            }

            return true;
        }
    }

    private void AddAll(ImmutableArray<SystemCode> codes, string type)
    {
        foreach (SystemCode code in codes)
        {
            Add(_unmapped, $"{code.System}|{code.Code}", type);
        }
    }

    private static void Add(Dictionary<(string, string), int> counts, string what, string type) => counts[(what, type)] = counts.GetValueOrDefault((what, type)) + 1;

    private ImmutableArray<Counted> Sorted(Dictionary<(string What, string Type), int> counts)
    {
        lock (_lock)
        {
            return [.. counts.Select(c => new Counted(c.Key.What, c.Key.Type, c.Value)).OrderByDescending(c => c.Count).ThenBy(c => c.What, StringComparer.Ordinal)];
        }
    }
}
