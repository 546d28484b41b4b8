using System.Collections.Immutable;
using Titration.Protocol.Definitions;

namespace Titration.Protocol.Courses;

/// <summary>
/// The steps a product can take on a ladder: the ladder's steps at each of its strengths. A prescription that is no step of it counts as
/// the nearest step at or below it within its strength.
/// </summary>
internal sealed class Regimen(Ladder ladder, ImmutableArray<decimal> strengths, decimal maximumWeeklyDoseRatio)
{
    /// <summary>The gentlest step of all, and nothing of it above what is ordered now.</summary>
    public Step FirstFrom(Step step)
    {
        Step first = At(strengths[0], 0);
        return Keep(step, first with
        {
            StrengthPercent = Math.Min(first.StrengthPercent, step.StrengthPercent),
            Frequency = first.Frequency < step.Frequency ? first.Frequency : step.Frequency,
            GramsPerApplication = Math.Min(first.GramsPerApplication, step.GramsPerApplication),
        });
    }

    /// <summary>Whether this is the ladder's top step of its strength, or above it.</summary>
    public bool IsTop(Step step) => IndexAtOrBelow(step) == ladder.Steps.Length - 1;

    /// <summary>Whether nothing gentler is left but barrier support.</summary>
    public bool IsLowest(Step step) => Below(step) is null;

    /// <summary>Whether this is the ladder's first step, or less.</summary>
    public bool IsFirst(Step step) => step.StrengthPercent <= strengths[0] && IndexAtOrBelow(step) <= 0 && IsLowest(step);

    /// <summary>One step down: no dimension goes up. Null at the lowest step of the lowest strength.</summary>
    public Step? Below(Step step)
    {
        int index = IndexAtOrBelow(step);
        if (index >= 0 && !Matches(step, index))
        {
            return Keep(step, At(step.StrengthPercent, index));
        }

        if (index > 0)
        {
            return Keep(step, At(step.StrengthPercent, index - 1));
        }

        return LowerStrength(step.StrengthPercent) is { } lower ? step with { StrengthPercent = lower } : null;
    }

    /// <summary>
    /// The next step within the strength, or the first step of the next strength from the top one. Null where there is none, where
    /// more than one dimension would go up, or where the weekly active dose would more than double (exactly double is allowed).
    /// </summary>
    public Step? Above(Step step)
    {
        int index = IndexAtOrBelow(step);
        Step? next = index + 1 < ladder.Steps.Length
            ? At(step.StrengthPercent, index + 1)
            : HigherStrength(step.StrengthPercent) is { } higher ? At(higher, 0) : null;
        return next is not null && DimensionsUp(step, next) <= 1 && WithinDoseCap(step, next) ? Keep(step, next) : null;
    }

    /// <summary>How many of strength, frequency and amount go up.</summary>
    public static int DimensionsUp(Step from, Step to) =>
        (to.StrengthPercent > from.StrengthPercent ? 1 : 0)
        + (to.Frequency > from.Frequency ? 1 : 0)
        + (to.GramsPerApplication > from.GramsPerApplication ? 1 : 0);

    private bool WithinDoseCap(Step from, Step to) =>
        to.Frequency.Applications * to.GramsPerApplication * to.StrengthPercent * from.Frequency.PerDays
        <= maximumWeeklyDoseRatio * from.Frequency.Applications * from.GramsPerApplication * from.StrengthPercent * to.Frequency.PerDays;

    /// <summary>Barrier support once given is kept.</summary>
    private static Step Keep(Step from, Step to) => from.Barrier && !to.Barrier ? to with { Barrier = true } : to;

    private int IndexAtOrBelow(Step step)
    {
        for (int i = ladder.Steps.Length - 1; i >= 0; i--)
        {
            if (ladder.Steps[i].Frequency <= step.Frequency && ladder.Steps[i].GramsPerApplication <= step.GramsPerApplication)
            {
                return i;
            }
        }

        return -1;
    }

    private bool Matches(Step step, int index) =>
        ladder.Steps[index].Frequency == step.Frequency && ladder.Steps[index].GramsPerApplication == step.GramsPerApplication;

    private Step At(decimal strength, int index)
    {
        LadderStep step = ladder.Steps[index];
        return new Step(strength, step.Frequency, step.GramsPerApplication, step.Barrier);
    }

    private decimal? LowerStrength(decimal strength)
    {
        decimal? lower = null;
        foreach (decimal s in strengths)
        {
            lower = s < strength ? s : lower;
        }

        return lower;
    }

    private decimal? HigherStrength(decimal strength)
    {
        foreach (decimal s in strengths)
        {
            if (s > strength)
            {
                return s;
            }
        }

        return null;
    }
}
