using System.Text.Json.Serialization;

namespace Titration.Protocol.Facts;

/// <summary>What a prescribed product is to a course of titration.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<ProductRole>))]
public enum ProductRole
{
    /// <summary>A topical retinoid with a place on the protocol's ladder: its orders make a course.</summary>
    [JsonStringEnumMemberName("titrated")] Titrated,

    /// <summary>Any other retinoid, topical or oral: never a course, always "another retinoid" while active.</summary>
    [JsonStringEnumMemberName("other-retinoid")] OtherRetinoid,

    /// <summary>A topical that adds irritation: benzoyl peroxide, salicylic acid, sulfur, resorcinol.</summary>
    [JsonStringEnumMemberName("interacting")] Interacting,
}

/// <summary>The product of a prescription, as far as its code and text say it with certainty.</summary>
/// <param name="Role">Its role.</param>
/// <param name="Ingredient">Generic name of the active ingredient that matters here, lower case.</param>
/// <param name="StrengthPercent">Per cent weight by weight; null where it is not certain.</param>
/// <param name="PartOfCombination">True where the product also holds another active ingredient.</param>
/// <param name="MinimumAgeYears">The label's minimum, where this product's differs from its ingredient's.</param>
public sealed record Product(
    ProductRole Role, string Ingredient, decimal? StrengthPercent, bool PartOfCombination = false,
    [property: JsonIgnore(Condition = JsonIgnoreCondition.WhenWritingNull)] int? MinimumAgeYears = null);
