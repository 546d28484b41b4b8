using System.Runtime.CompilerServices;

namespace Titration.Protocol.Facts;

/// <summary>
/// A zone's offsets by UTC day. On all days but those on which the clocks change there is one, and to find it in the zone's rules takes longer than all
/// else that places a check-in in the calendar. It is only remembered: nobody can tell whether somebody asked before.
/// </summary>
internal sealed class ZoneDays
{
    /// <summary>Not asked yet, and more than one offset; no offset has so many minutes.</summary>
    private const short Unknown = short.MinValue;
    private const short Several = short.MaxValue;

    // What is further away is asked for each time.
    private static readonly int First = new DateOnly(2000, 1, 1).DayNumber;
    private static readonly int Last = new DateOnly(2100, 1, 1).DayNumber;

    private static readonly ConditionalWeakTable<TimeZoneInfo, ZoneDays> Zones = [];

    private readonly TimeZoneInfo _zone;
    private readonly short[] _minutes = new short[Last - First];

    private ZoneDays(TimeZoneInfo zone)
    {
        _zone = zone;
        Array.Fill(_minutes, Unknown);
    }

    public static ZoneDays Of(TimeZoneInfo zone) => Zones.GetValue(zone, z => new ZoneDays(z));

    /// <summary>The offset at an instant.</summary>
    public TimeSpan At(DateTimeOffset instant) =>
        OfDay((int)(instant.UtcTicks / TimeSpan.TicksPerDay)) ?? _zone.GetUtcOffset(instant);

    /// <summary>The only offset that this local date can have, from the day before to the day after; null: the clocks may change.</summary>
    public TimeSpan? Around(DateOnly date) =>
        OfDay(date.DayNumber) is { } offset && OfDay(date.DayNumber - 1) == offset && OfDay(date.DayNumber + 1) == offset ? offset : null;

    /// <summary>The only offset of a UTC day; null: there may be more.</summary>
    private TimeSpan? OfDay(int dayNumber)
    {
        int day = dayNumber - First;
        if (day < 0 || day >= _minutes.Length)
        {
            return null;
        }

        short minutes = _minutes[day];
        if (minutes == Unknown)
        {
            // Whoever else asks at the same time comes to the same.
            minutes = Ask(dayNumber);
            _minutes[day] = minutes;
        }

        return minutes == Several ? null : new TimeSpan(minutes * TimeSpan.TicksPerMinute);
    }

    private short Ask(int dayNumber)
    {
        DateTimeOffset start = new(dayNumber * TimeSpan.TicksPerDay, TimeSpan.Zero);
        TimeSpan offset = _zone.GetUtcOffset(start);
        // No zone changes its clocks twice in 12 hours.
        return _zone.GetUtcOffset(start.AddHours(12)) == offset && _zone.GetUtcOffset(start.AddHours(24)) == offset ? (short)offset.TotalMinutes : Several;
    }
}
