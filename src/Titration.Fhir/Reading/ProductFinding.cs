using System.Collections.Immutable;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>What the medication of an order turned out to be.</summary>
internal abstract record ProductFinding
{
    private ProductFinding()
    {
    }

    /// <summary>A product of the vocabulary.</summary>
    /// <param name="StrengthIsCertain">False where a titrated product's strength is not told, or told in two ways.</param>
    public sealed record Known(Product Product, bool StrengthIsCertain) : ProductFinding;

    /// <summary>Might be one of ours.</summary>
    public sealed record Unknown(ImmutableArray<SystemCode> Codes) : ProductFinding;

    /// <summary>Certainly none of ours.</summary>
    public sealed record Irrelevant : ProductFinding;

    /// <summary>Stands in another resource.</summary>
    /// <param name="Reference"><c>Medication/id</c>.</param>
    public sealed record Elsewhere(string Reference) : ProductFinding;

    /// <summary>Names different products, or refers to nothing that could be fetched.</summary>
    public sealed record Contradictory(string Path, string Problem) : ProductFinding;
}
