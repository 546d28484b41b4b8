using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>An observation that counts, placed in the clinic's calendar once for everybody who looks at it.</summary>
/// <param name="Fact">What it says.</param>
/// <param name="At">Since when it is so.</param>
/// <param name="Date">The clinic-local date of that.</param>
/// <param name="Signs">The signs that it grades, a bit for each <see cref="Sign"/>.</param>
/// <param name="SaysMore">Whether it says anything but grades and counts of nights, as few do: who looks for the rest need look at no other.</param>
internal readonly record struct Observed(ObservationFact Fact, DateTimeOffset At, DateOnly Date, int Signs, bool SaysMore)
{
    /// <summary>Null where it is not so yet.</summary>
    public static Observed? By(AsOf asOf, ObservationFact fact)
    {
        DateTimeOffset at = fact.Effective.StartIn(asOf.Zone);
        if (at > asOf.Instant)
        {
            return null;
        }

        int signs = 0;
        bool saysMore = false;
        foreach (Statement statement in fact.Statements)
        {
            if (statement is Statement.Graded graded)
            {
                signs |= 1 << (int)graded.Sign;
            }
            else if (statement is not (Statement.NightsApplied or Statement.ApplicationsMissed))
            {
                saysMore = true;
            }
        }

        return new Observed(fact, at, fact.Effective.DateIn(asOf.Zone), signs, saysMore);
    }
}
