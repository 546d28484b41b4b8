using System.Collections.Immutable;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Communications;

/// <summary>The days on which nobody at the clinic works through tasks. What is urgent does not ask for them.</summary>
/// <param name="ClosedWeekdays">Closed every week; at least one day of the week is not among them.</param>
/// <param name="ClosedDates">Closed as well.</param>
public sealed record ClinicCalendar(ImmutableHashSet<DayOfWeek> ClosedWeekdays, ImmutableHashSet<DateOnly> ClosedDates)
{
    /// <summary>Open every day.</summary>
    public static ClinicCalendar AlwaysOpen { get; } = new([], []);

    /// <summary>Whether nobody works on this day.</summary>
    public bool IsClosed(DateOnly date) => ClosedWeekdays.Contains(date.DayOfWeek) || ClosedDates.Contains(date);

    /// <summary>The first day at or after this one that is open; the day itself where the calendar has no open day within a year.</summary>
    public DateOnly OpenFrom(DateOnly date)
    {
        const int longest = 366;
        for (int ahead = 0; ahead < longest; ahead++)
        {
            if (!IsClosed(date.AddDays(ahead)))
            {
                return date.AddDays(ahead);
            }
        }

        return date;
    }

    /// <summary>The instant, or where it lies on a closed day the same time of the next open one.</summary>
    public DateTimeOffset Moved(DateTimeOffset instant, TimeZoneInfo zone)
    {
        DateOnly date = ClinicZone.DateOf(instant, zone);
        return IsClosed(date)
            ? ClinicZone.At(OpenFrom(date), TimeOnly.FromDateTime(TimeZoneInfo.ConvertTime(instant, zone).DateTime), zone)
            : instant;
    }
}
