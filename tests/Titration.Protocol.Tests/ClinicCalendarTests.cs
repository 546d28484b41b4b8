using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Xunit;

namespace Titration.Protocol.Tests;

/// <summary>Days on which nobody works through tasks.</summary>
public sealed class ClinicCalendarTests
{
    private static readonly TimeZoneInfo London = TimeZoneInfo.FindSystemTimeZoneById("Europe/London");
    private static readonly ClinicCalendar Weekends = new([DayOfWeek.Saturday, DayOfWeek.Sunday], [new DateOnly(2026, 4, 3), new DateOnly(2026, 4, 6)]);

    [Theory]
    [InlineData("2026-03-27T10:00:00Z", "2026-03-27T10:00:00Z")] // a Friday
    [InlineData("2026-03-28T10:00:00Z", "2026-03-30T09:00:00Z")] // a Saturday: the same hour of Monday, and the clocks go forward between
    [InlineData("2026-03-29T23:30:00Z", "2026-03-29T23:30:00Z")] // half past midnight on Monday in London
    [InlineData("2026-04-03T10:00:00Z", "2026-04-07T10:00:00Z")] // Good Friday: past the weekend and Easter Monday
    public void What_falls_on_a_closed_day_moves_to_the_same_time_of_the_next_open_one(string instant, string moved) =>
        Assert.Equal(DateTimeOffset.Parse(moved, null), Weekends.Moved(DateTimeOffset.Parse(instant, null), London));

    [Fact]
    public void A_clinic_without_a_calendar_is_always_open() =>
        Assert.Equal(DateTimeOffset.UnixEpoch, ClinicCalendar.AlwaysOpen.Moved(DateTimeOffset.UnixEpoch, London));

    [Fact]
    public void A_calendar_without_an_open_day_moves_nothing() =>
        Assert.Equal(new DateOnly(2026, 4, 1), new ClinicCalendar([.. Enum.GetValues<DayOfWeek>()], ImmutableHashSet<DateOnly>.Empty).OpenFrom(new DateOnly(2026, 4, 1)));
}
