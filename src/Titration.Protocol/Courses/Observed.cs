using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>An observation that counts, placed in the clinic's calendar once for everybody who looks at it.</summary>
/// <param name="Fact">What it says.</param>
/// <param name="At">Since when it is so.</param>
/// <param name="Date">The clinic-local date of that.</param>
internal readonly record struct Observed(ObservationFact Fact, DateTimeOffset At, DateOnly Date)
{
    public static Observed Of(ObservationFact fact, TimeZoneInfo zone) => new(fact, fact.Effective.StartIn(zone), fact.Effective.DateIn(zone));
}
