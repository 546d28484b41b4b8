namespace Titration.Protocol.Facts;

/// <summary>The instant at which a course is looked at, and the clinic whose calendar counts.</summary>
/// <param name="Instant">In UTC or with any offset; only the instant counts.</param>
/// <param name="Zone">The clinic's IANA time zone.</param>
public readonly record struct AsOf(DateTimeOffset Instant, TimeZoneInfo Zone)
{
    /// <summary>The clinic-local calendar date. It keeps its own date in the small hours, unlike an application.</summary>
    public DateOnly Date { get; } = ClinicZone.DateOf(Instant, Zone);
}

/// <summary>Conversions between instants and the clinic's calendar.</summary>
public static class ClinicZone
{
    /// <summary>The local calendar date of an instant.</summary>
    public static DateOnly DateOf(DateTimeOffset instant, TimeZoneInfo zone) =>
        DateOnly.FromDateTime(instant.UtcDateTime + zone.GetUtcOffset(instant));

    /// <summary>
    /// The first instant of a local date. Where daylight saving skips midnight it is the first instant after the gap;
    /// where it repeats midnight it is the earlier of the two.
    /// </summary>
    public static DateTimeOffset StartOf(DateOnly date, TimeZoneInfo zone)
    {
        DateTime midnight = date.ToDateTime(TimeOnly.MinValue);
        while (zone.IsInvalidTime(midnight))
        {
            midnight = midnight.AddMinutes(15);
        }

        TimeSpan offset = zone.IsAmbiguousTime(midnight) ? zone.GetAmbiguousTimeOffsets(midnight).Max() : zone.GetUtcOffset(midnight);
        return new DateTimeOffset(midnight, offset).ToUniversalTime();
    }
}
