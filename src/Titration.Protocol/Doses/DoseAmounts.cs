using Titration.Protocol.Courses;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Doses;

/// <summary>Consecutive nights on one step.</summary>
/// <param name="Step">What is applied.</param>
/// <param name="Nights">How many nights, 0 or more; those without an application count, those withheld do not.</param>
public readonly record struct NightsOnStep(Step Step, int Nights);

/// <summary>
/// How much product and active ingredient a dosage comes to, and how long a tube lasts. Plain arithmetic on what is planned: how much is
/// squeezed out on a night nobody measures, so each result is an estimate.
/// </summary>
public static class DoseAmounts
{
    /// <summary>
    /// Longest life of a tube that is given as a number, in days: 100 years. Beyond it there is none to speak of.
    /// </summary>
    public const int LongestDays = 36_525;

    /// <summary>Grams of product a week: 0.25 g on alternate nights are 0.875 g, 0.5 g nightly 3.5 g.</summary>
    /// <param name="gramsPerApplication">Grams of product per application, 0 or more; one unit on the face is about 0.5 g (common practice).</param>
    /// <param name="frequency">How often.</param>
    public static decimal GramsPerWeek(decimal gramsPerApplication, Frequency frequency) => gramsPerApplication * frequency.NightsPerWeek;

    /// <summary>Milligrams of active ingredient a week: grams of product x 1000 x per cent / 100.</summary>
    /// <param name="gramsPerWeek">Grams of product a week, 0 or more.</param>
    /// <param name="strengthPercent">Per cent weight by weight, such as 0.025.</param>
    public static decimal ActiveMilligrams(decimal gramsPerWeek, decimal strengthPercent) => gramsPerWeek * strengthPercent * 10m;

    /// <summary>Grams of product planned over the steps of a course.</summary>
    /// <param name="steps">The steps and their nights, in any order.</param>
    public static decimal CumulativeGrams(IEnumerable<NightsOnStep> steps)
    {
        ArgumentNullException.ThrowIfNull(steps);
        return steps.Sum(s => s.Step.Frequency.PlannedIn(s.Nights) * s.Step.GramsPerApplication);
    }

    /// <summary>Milligrams of active ingredient planned over the steps of a course.</summary>
    /// <param name="steps">The steps and their nights, in any order; the strengths may differ.</param>
    public static decimal CumulativeActiveMilligrams(IEnumerable<NightsOnStep> steps)
    {
        ArgumentNullException.ThrowIfNull(steps);
        return steps.Sum(s => ActiveMilligrams(s.Step.Frequency.PlannedIn(s.Nights) * s.Step.GramsPerApplication, s.Step.StrengthPercent));
    }

    /// <summary>
    /// Days for which an amount lasts, nights counted as days: grams / (grams per application x applications a day). A 30 g tube at 0.25 g lasts 240
    /// days on alternate nights and 120 nightly; at 0.5 g nightly 60. At most <see cref="LongestDays"/>.
    /// </summary>
    /// <param name="grams">Grams dispensed, 0 or more.</param>
    /// <param name="gramsPerApplication">Grams of product per application, above 0.</param>
    /// <param name="frequency">How often.</param>
    /// <exception cref="ArgumentOutOfRangeException">An amount is out of its range.</exception>
    public static decimal DaysSupply(decimal grams, decimal gramsPerApplication, Frequency frequency)
    {
        ArgumentOutOfRangeException.ThrowIfNegative(grams);
        ArgumentOutOfRangeException.ThrowIfNegativeOrZero(gramsPerApplication);
        decimal perPeriod = gramsPerApplication * frequency.Applications;
        decimal longest = perPeriod * LongestDays / frequency.PerDays;
        return grams >= longest ? LongestDays : grams * frequency.PerDays / perPeriod;
    }
}
