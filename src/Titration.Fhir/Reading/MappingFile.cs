using System.Collections.Immutable;
using System.Text.Json.Serialization;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>A clinic's own codes in this service's terms, as the clinic wrote them down (contracts/mapping.schema.json).</summary>
public sealed record MappingFile
{
    /// <summary>Where an editor finds the JSON Schema; nothing here reads it.</summary>
    [JsonPropertyName("$schema")]
    public string? Schema { get; init; }

    public required string Name { get; init; }

    public required string Version { get; init; }

    public ImmutableArray<MappedProduct> Products { get; init; } = [];

    public ImmutableArray<MappedObservation> Observations { get; init; } = [];

    public ImmutableArray<MappedAnswer> Answers { get; init; } = [];

    public ImmutableArray<MappedUnit> Units { get; init; } = [];

    /// <summary>Codes that are none of this service's business: they are not reported as unmapped again.</summary>
    public ImmutableArray<SystemCode> Ignored { get; init; } = [];
}

/// <summary>A clinic's code for a product.</summary>
/// <param name="Ingredient">An ingredient of the protocol.</param>
/// <param name="StrengthPercent">One of the ingredient's strengths in the protocol; null: the order's text has to say it.</param>
/// <param name="Combination">True where the product holds another active ingredient too.</param>
public sealed record MappedProduct(string System, string Code, string Ingredient, decimal? StrengthPercent = null, bool Combination = false);

/// <summary>A clinic's code for an observation or a component.</summary>
/// <param name="Means">The code of our tolerability code system that means the same, such as <c>erythema</c>.</param>
public sealed record MappedObservation(string System, string Code, string Means);

/// <summary>A clinic's code for an answer. Exactly one of the last four is given.</summary>
/// <param name="Grade">0 none to 3 severe.</param>
/// <param name="Boolean">Yes or no.</param>
/// <param name="Effect">A word on the effect.</param>
/// <param name="Unknown">True: asked, and not known.</param>
public sealed record MappedAnswer(
    string System, string Code, int? Grade = null, bool? Boolean = null, Effect? Effect = null, bool Unknown = false);

/// <summary>A clinic's unit of amount. An empty system stands for a unit that is written without a code.</summary>
/// <param name="Grams">Grams of product in one.</param>
public sealed record MappedUnit(string System, string Code, decimal Grams);

/// <summary>Something wrong in a mapping file.</summary>
/// <param name="Path">Where, such as <c>products[2].ingredient</c>.</param>
/// <param name="Problem">What is wrong and what is needed.</param>
public sealed record MappingProblem(string Path, string Problem);
