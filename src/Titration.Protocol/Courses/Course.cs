using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>One patient, one topical retinoid, one treated area.</summary>
/// <param name="Id">Derived from the other three, never from what arrived first.</param>
/// <param name="Patient">The patient's logical id.</param>
/// <param name="Ingredient">Generic name, lower case.</param>
/// <param name="Area">Code of the treated area.</param>
public sealed record Course(Guid Id, string Patient, string Ingredient, string Area)
{
    public static Course Of(string patient, string ingredient, string area) =>
        new(DerivedId.Of("course", patient, ingredient, area), patient, ingredient, area);
}

/// <summary>What is applied, how often, how much: strength, frequency, amount, barrier support.</summary>
/// <param name="StrengthPercent">Per cent weight by weight.</param>
/// <param name="Frequency">How often.</param>
/// <param name="GramsPerApplication">Grams of product.</param>
/// <param name="Barrier">Moisturiser before and after.</param>
public sealed record Step(decimal StrengthPercent, Frequency Frequency, decimal GramsPerApplication, bool Barrier)
{
    /// <summary>Grams of product a week.</summary>
    public decimal WeeklyGrams => Frequency.NightsPerWeek * GramsPerApplication;

    /// <summary>Milligrams of active ingredient a week: g x 1000 x % / 100.</summary>
    public decimal WeeklyActiveMilligrams => WeeklyGrams * StrengthPercent * 10m;

    /// <summary>Same strength, frequency and amount: barrier support is never part of matching a prescription.</summary>
    public bool SameDosage(Step other) =>
        StrengthPercent == other.StrengthPercent && Frequency == other.Frequency && GramsPerApplication == other.GramsPerApplication;
}
