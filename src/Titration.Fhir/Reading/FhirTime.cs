using System.Globalization;
using Hl7.Fhir.Model;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>FHIR dates and times in the core's terms.</summary>
internal static class FhirTime
{
    private const string DayNeeded = "A date to the day, or a date and time with its offset, is needed.";

    // Nothing clinical is dated outside, and arithmetic on what is inside cannot overflow.
    private const int FirstYear = 1900;
    private const int LastYear = 2199;

    /// <summary>A FHIR dateTime to the day or better; null for a coarser one and for one that no calendar has.</summary>
    public static ClinicalTime? Parse(string? text)
    {
        if (DateOnly.TryParseExact(text, "yyyy-MM-dd", CultureInfo.InvariantCulture, DateTimeStyles.None, out DateOnly day))
        {
            return IsInRange(day.Year) ? ClinicalTime.On(day) : null;
        }

        return ParseInstant(text) is { } instant ? ClinicalTime.At(instant) : null;
    }

    /// <summary>A FHIR instant, or null.</summary>
    public static DateTimeOffset? ParseInstant(string? text) =>
        text is { Length: > 16 and <= 40 } && text[10] == 'T' && HasOffset(text)
        && DateTimeOffset.TryParse(text, CultureInfo.InvariantCulture, DateTimeStyles.None, out DateTimeOffset instant)
        && IsInRange(instant.Year)
            ? instant
            : null;

    /// <summary>As <see cref="Parse"/>; refuses what is there and too coarse. Null without a refusal: it is not there.</summary>
    public static ClinicalTime? Read(string? text, string path, Remarks remarks)
    {
        if (text is null)
        {
            return null;
        }

        ClinicalTime? time = Parse(text);
        if (time is null)
        {
            remarks.Refuse(path, DayNeeded);
        }

        return time;
    }

    /// <summary>The date as it was written, without any conversion; null where it is coarser than a day.</summary>
    public static DateOnly? DateAsWritten(string? text) =>
        text is { Length: >= 10 } && Parse(text) is not null ? DateOnly.ParseExact(text[..10], "yyyy-MM-dd", CultureInfo.InvariantCulture) : null;

    /// <summary>The last day that a FHIR date allows: a bare year is its 31 December.</summary>
    public static DateOnly? LatestDay(string? date) => date switch
    {
        { Length: 4 } => Parse($"{date}-12-31")?.Day,
        { Length: 7 } => Parse($"{date}-01")?.Day?.AddMonths(1).AddDays(-1),
        _ => Parse(date)?.Day,
    };

    /// <summary>When an observation was so: the end of a period, with its start.</summary>
    public static (ClinicalTime? Effective, ClinicalTime? Start) Effective(DataType? effective, Remarks remarks)
    {
        switch (effective)
        {
            case FhirDateTime dateTime:
                return (Read(dateTime.Value ?? "", "Observation.effectiveDateTime", remarks), null);
            case Instant { Value: { } instant } when IsInRange(instant.Year):
                return (ClinicalTime.At(instant), null);
            case Period period:
                return Effective(period, remarks);
            default:
                remarks.Refuse("Observation.effective[x]", "The date or period that it is about is needed, as a dateTime, an instant or a Period.");
                return (null, null);
        }
    }

    private static (ClinicalTime?, ClinicalTime?) Effective(Period period, Remarks remarks)
    {
        ClinicalTime? start = Read(period.Start, "Observation.effectivePeriod.start", remarks);
        ClinicalTime? end = Read(period.End ?? "", "Observation.effectivePeriod.end", remarks);
        if (start is { } from && end is { } to && to.DateIn(TimeZoneInfo.Utc) < from.DateIn(TimeZoneInfo.Utc))
        {
            remarks.Refuse("Observation.effectivePeriod", "The period must not end before it starts.");
        }

        return (end, start);
    }

    private static bool IsInRange(int year) => year is >= FirstYear and <= LastYear;

    private static bool HasOffset(string text) => text[^1] == 'Z' || text[^6] is '+' or '-';
}
