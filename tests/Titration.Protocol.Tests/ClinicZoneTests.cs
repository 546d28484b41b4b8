using Titration.Protocol.Facts;
using Xunit;

namespace Titration.Protocol.Tests;

/// <summary>
/// The clinic's calendar says what the machine's time zone database says (IANA tz, through <see cref="TimeZoneInfo"/>), in every zone of it and on the days on which
/// clocks change too, whatever was asked before.
/// </summary>
public sealed class ClinicZoneTests
{
    private static readonly DateTimeOffset From = new(2023, 1, 1, 0, 0, 0, TimeSpan.Zero);
    private static readonly DateTimeOffset Until = new(2028, 1, 1, 0, 0, 0, TimeSpan.Zero);

    [Fact]
    public void An_instant_has_the_date_that_its_zone_gives_it()
    {
        foreach (TimeZoneInfo zone in TimeZoneInfo.GetSystemTimeZones())
        {
            // An odd step meets every hour of the day, before a change and after it.
            for (DateTimeOffset instant = From; instant < Until; instant = instant.AddHours(5))
            {
                AssertDate(instant, zone);
            }
        }
    }

    [Theory]
    [InlineData("Europe/London", "2026-03-29T01:00:00Z")]
    [InlineData("Europe/London", "2026-10-25T01:00:00Z")]
    [InlineData("Atlantic/Azores", "2026-10-25T01:00:00Z")] // back over midnight: the local date comes again
    [InlineData("Africa/Cairo", "2026-04-23T22:00:00Z")] // no midnight
    [InlineData("Australia/Lord_Howe", "2026-04-04T15:00:00Z")] // by half an hour
    [InlineData("Pacific/Apia", "2011-12-30T10:00:00Z")] // no 30 December 2011
    [InlineData("Africa/Casablanca", "2026-02-15T02:00:00Z")] // for one month
    public void Minute_by_minute_around_a_change_of_clocks(string id, string change)
    {
        TimeZoneInfo zone = TimeZoneInfo.FindSystemTimeZoneById(id);
        DateTimeOffset at = DateTimeOffset.Parse(change, null);
        Assert.NotEqual(zone.GetUtcOffset(at.AddMinutes(-1)), zone.GetUtcOffset(at));
        for (int minute = -3 * 24 * 60; minute <= 3 * 24 * 60; minute++)
        {
            AssertDate(at.AddMinutes(minute), zone);
        }
    }

    [Fact]
    public void A_date_starts_at_the_first_instant_that_is_not_of_the_day_before()
    {
        foreach (TimeZoneInfo zone in TimeZoneInfo.GetSystemTimeZones())
        {
            for (DateOnly date = DateOnly.FromDateTime(From.UtcDateTime); date < DateOnly.FromDateTime(Until.UtcDateTime); date = date.AddDays(1))
            {
                DateTimeOffset start = ClinicZone.StartOf(date, zone);
                Assert.True(LocalDate(start, zone) >= date && LocalDate(start.AddTicks(-1), zone) < date, $"{zone.Id}, {date:O}: {start:O}");
            }
        }
    }

    [Theory]
    [InlineData("America/Asuncion", "2023-10-01", "2023-10-01T04:00:00Z")] // no midnight: it begins at one
    [InlineData("Africa/Cairo", "2026-04-24", "2026-04-23T22:00:00Z")] // likewise
    [InlineData("Atlantic/Azores", "2026-10-25", "2026-10-25T00:00:00Z")] // twice midnight: at the first
    [InlineData("Pacific/Apia", "2011-12-30", "2011-12-30T10:00:00Z")] // never there: with the day after
    [InlineData("Europe/London", "2026-10-25", "2026-10-24T23:00:00Z")]
    [InlineData("Europe/London", "1900-01-01", "1900-01-01T00:00:00Z")]
    public void So_begins_a_date_by_the_time_zone_database(string zone, string date, string begins) => Assert.Equal(
        DateTimeOffset.Parse(begins, null), ClinicZone.StartOf(DateOnly.ParseExact(date, "O", null), TimeZoneInfo.FindSystemTimeZoneById(zone)));

    private static void AssertDate(DateTimeOffset instant, TimeZoneInfo zone) =>
        Assert.True(LocalDate(instant, zone) == ClinicZone.DateOf(instant, zone), $"{zone.Id}, {instant:O}");

    private static DateOnly LocalDate(DateTimeOffset instant, TimeZoneInfo zone) => DateOnly.FromDateTime(TimeZoneInfo.ConvertTime(instant, zone).DateTime);
}
