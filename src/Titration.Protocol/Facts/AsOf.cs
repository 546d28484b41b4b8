using Titration.Protocol.Courses;

namespace Titration.Protocol.Facts;

/// <summary>The instant at which a course is looked at, and the clinic whose calendar counts.</summary>
/// <param name="Instant">In UTC or with any offset; only the instant counts.</param>
/// <param name="Zone">The clinic's IANA time zone.</param>
/// <param name="PolicySince">From when on the clinic decides by this policy: what was approved and ordered before is not judged by it. Null: always.</param>
/// <param name="Follow">Whom the clinic follows.</param>
public readonly record struct AsOf(DateTimeOffset Instant, TimeZoneInfo Zone, DateTimeOffset? PolicySince = null, Following Follow = Following.All)
{
    /// <summary>The clinic-local calendar date. It keeps its own date in the small hours, unlike an application.</summary>
    public DateOnly Date { get; } = ClinicZone.DateOf(Instant, Zone);

    /// <summary>The same clinic at another instant. Not by <c>with</c>, which would keep the date.</summary>
    public AsOf At(DateTimeOffset instant) => new(instant, Zone, PolicySince, Follow);
}

/// <summary>Conversions between instants and the clinic's calendar.</summary>
public static class ClinicZone
{
    // A year inside the calendar's ends, so that no count of days leaves it, whatever date somebody wrote.
    private static readonly DateOnly Earliest = new(2, 1, 1);
    private static readonly DateOnly Latest = new(9998, 12, 31);

    /// <summary>The local calendar date of an instant.</summary>
    public static DateOnly DateOf(DateTimeOffset instant, TimeZoneInfo zone)
    {
        long local = instant.UtcTicks + ZoneDays.Of(zone).At(instant).Ticks;
        return Within(DateOnly.FromDateTime(new DateTime(Math.Clamp(local, DateTime.MinValue.Ticks, DateTime.MaxValue.Ticks))));
    }

    /// <summary>The date, or the nearest one that leaves room for counting days on both sides.</summary>
    public static DateOnly Within(DateOnly date) => date < Earliest ? Earliest : date > Latest ? Latest : date;

    /// <summary>
    /// The first instant of a local date. Where daylight saving skips midnight it is the first instant after the gap;
    /// where it repeats midnight it is the earlier of the two.
    /// </summary>
    public static DateTimeOffset StartOf(DateOnly date, TimeZoneInfo zone) => At(date, TimeOnly.MinValue, zone);

    /// <summary>The first instant at or after this time of a local date, of two the earlier.</summary>
    public static DateTimeOffset At(DateOnly date, TimeOnly time, TimeZoneInfo zone)
    {
        date = Within(date);
        DateTimeOffset local = new(date.ToDateTime(time), TimeSpan.Zero);
        if (ZoneDays.Of(zone).Around(date) is { } only)
        {
            return local - only;
        }

        // Only from an instant to its local time is the runtime sure: the other way it does not know the changes of every zone (America/Asuncion, 1 October 2023).
        TimeSpan before = zone.GetUtcOffset(local.AddHours(-24));
        TimeSpan after = zone.GetUtcOffset(local.AddHours(24));
        (TimeSpan earlier, TimeSpan later) = before > after ? (before, after) : (after, before);
        while (true)
        {
            if (zone.GetUtcOffset(local - earlier) == earlier)
            {
                return local - earlier;
            }

            if (zone.GetUtcOffset(local - later) == later)
            {
                return local - later;
            }

            local = local.AddMinutes(15);
        }
    }
}
