using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>An observation that counts, placed in the clinic's calendar once for everybody who looks at it.</summary>
/// <param name="Fact">What it says.</param>
/// <param name="At">Since when it is so.</param>
/// <param name="Date">The clinic-local date of that.</param>
/// <param name="SaysMore">Whether it says anything but grades and counts of nights, as few do: who looks for the rest need look at no other.</param>
internal readonly record struct Observed(ObservationFact Fact, DateTimeOffset At, DateOnly Date, bool SaysMore)
{
    /// <summary>Null where it is not so yet.</summary>
    public static Observed? By(AsOf asOf, ObservationFact fact)
    {
        DateTimeOffset at = fact.Effective.StartIn(asOf.Zone);
        return at <= asOf.Instant ? new Observed(fact, at, fact.Effective.DateIn(asOf.Zone), SaysMoreThanCheckIn(fact)) : null;
    }

    private static bool SaysMoreThanCheckIn(ObservationFact fact)
    {
        foreach (Statement statement in fact.Statements)
        {
            if (statement is not (Statement.Graded or Statement.NightsApplied or Statement.ApplicationsMissed))
            {
                return true;
            }
        }

        return false;
    }
}
