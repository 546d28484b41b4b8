using System.Globalization;
using Titration.Protocol.Communications;
using Xunit;

namespace Titration.Protocol.Tests;

/// <summary>When a message that is no safety message may reach a patient: not at night, and not twice a day. Common practice, no source.</summary>
public sealed class MessageHoursTests
{
    private static readonly TimeZoneInfo London = TimeZoneInfo.FindSystemTimeZoneById("Europe/London");
    private static readonly MessageHours Usual = new(new TimeOnly(21, 0), new TimeOnly(8, 0), 1);

    [Theory]
    [InlineData("2026-03-10T07:59:00Z", 0, "2026-03-10T08:00:00Z")]
    [InlineData("2026-03-10T08:00:00Z", 0, null)]
    [InlineData("2026-03-10T20:59:00Z", 0, null)]
    [InlineData("2026-03-10T21:00:00Z", 0, "2026-03-11T08:00:00Z")]
    [InlineData("2026-03-10T12:00:00Z", 1, "2026-03-11T08:00:00Z")]
    [InlineData("2026-03-10T23:30:00Z", 1, "2026-03-11T08:00:00Z")]
    [InlineData("2026-03-28T22:00:00Z", 0, "2026-03-29T07:00:00Z")] // clocks go forward in the night: eight is an hour earlier
    [InlineData("2026-06-10T21:30:00Z", 1, "2026-06-11T07:00:00Z")] // in summer this is 22:30
    public void A_message_waits_for_the_morning_and_a_second_one_for_the_next_day(string now, int sentToday, string? until) =>
        Assert.Equal(until is null ? null : At(until), Usual.HeldUntil(At(now), London, sentToday));

    [Theory]
    [InlineData("2026-03-10T03:00:00Z", 0, null)]
    [InlineData("2026-03-10T03:00:00Z", 2, "2026-03-11T00:00:00Z")]
    public void A_clinic_may_have_no_quiet_hours_and_more_than_one_message_a_day(string now, int sentToday, string? until) =>
        Assert.Equal(
            until is null ? null : At(until),
            new MessageHours(new TimeOnly(0, 0), new TimeOnly(0, 0), 2).HeldUntil(At(now), London, sentToday));

    [Theory]
    [InlineData("2026-03-10T13:30:00Z", "2026-03-10T15:00:00Z")]
    [InlineData("2026-03-10T16:00:00Z", null)]
    public void Quiet_hours_may_lie_within_a_day(string now, string? until) =>
        Assert.Equal(
            until is null ? null : At(until),
            new MessageHours(new TimeOnly(13, 0), new TimeOnly(15, 0), 1).HeldUntil(At(now), London, 0));

    private static DateTimeOffset At(string instant) => DateTimeOffset.Parse(instant, CultureInfo.InvariantCulture);
}
