using System.Collections.Immutable;

namespace Titration.Fhir.Reading;

/// <summary>
/// What a reader has to say beside the fact: the first reason to refuse the resource, and the codes nobody has mapped.
/// A reader that returns null either refused here, or means "not said".
/// </summary>
internal sealed class Remarks
{
    private readonly List<SystemCode> _unmapped = [];

    /// <summary>The first reason to refuse, or null.</summary>
    public (string Path, string Problem)? Refusal { get; private set; }

    public ImmutableArray<SystemCode> UnmappedCodes => [.. _unmapped.Distinct()];

    public void Refuse(string path, string problem) => Refusal ??= (path, problem);

    public void Unmapped(IEnumerable<SystemCode> codes) => _unmapped.AddRange(codes);
}
