using System.Collections.Immutable;

namespace Titration.Protocol.Definitions;

/// <summary>A topical retinoid with a place on the ladder.</summary>
public sealed record TitratedProduct
{
    /// <summary>Generic name, lower case.</summary>
    public required string Ingredient { get; init; }

    /// <summary>Per cent, lowest first.</summary>
    public required ImmutableArray<decimal> StrengthsPercent { get; init; }

    public required int MinimumAgeYears { get; init; }

    /// <summary>When irritation is usually worst.</summary>
    public required string IrritationPeak { get; init; }

    public required ImmutableArray<string> LabelNotes { get; init; }

    public required ImmutableArray<ProductCode> Codes { get; init; }

    public required ImmutableArray<string> Sources { get; init; }
}

/// <summary>A product that bears on a course without being one.</summary>
public sealed record OtherProduct(string Ingredient, ImmutableArray<ProductCode> Codes);

/// <summary>A code by which a prescription names a product.</summary>
/// <param name="StrengthPercent">Where the code itself says the strength (RxNorm products do, ATC does not).</param>
/// <param name="MinimumAgeYears">Where this product's label differs from its ingredient's.</param>
/// <param name="Combination">True where the product holds another active ingredient too.</param>
public sealed record ProductCode(string System, string Code, decimal? StrengthPercent = null, int? MinimumAgeYears = null, bool Combination = false);
