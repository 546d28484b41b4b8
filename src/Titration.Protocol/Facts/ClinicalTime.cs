using System.Text.Json.Serialization;

namespace Titration.Protocol.Facts;

/// <summary>
/// A FHIR dateTime to the day or better: an instant, or a bare calendar date whose hour nobody wrote down.
/// Coarser dates are refused on reading.
/// </summary>
public readonly record struct ClinicalTime
{
    /// <summary>Exactly one of the two is given.</summary>
    [JsonConstructor]
    public ClinicalTime(DateTimeOffset? instant, DateOnly? day)
    {
        if (instant is null == day is null)
        {
            throw new ArgumentException("Give an instant or a day, and not both.", nameof(day));
        }

        Instant = instant?.ToUniversalTime();
        Day = day;
    }

    public DateTimeOffset? Instant { get; }

    public DateOnly? Day { get; }

    public static ClinicalTime At(DateTimeOffset instant) => new(instant, null);

    public static ClinicalTime On(DateOnly day) => new(null, day);

    /// <summary>The clinic-local calendar date.</summary>
    public DateOnly DateIn(TimeZoneInfo zone) => Day is { } day ? ClinicZone.Within(day) : ClinicZone.DateOf(Instant!.Value, zone);

    /// <summary>The instant; a bare date counts from the first instant of that day in the clinic's zone.</summary>
    public DateTimeOffset StartIn(TimeZoneInfo zone) => Instant ?? ClinicZone.StartOf(Day!.Value, zone);
}
