using System.Collections.Immutable;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;
using static Titration.Protocol.Tests.Stories.Expect;

namespace Titration.Protocol.Tests.Stories;

/// <summary>The clinic's calendar counts: its zone, its changes of clock, dates without an hour, and the future.</summary>
public sealed class CalendarStories
{
    [Theory]
    [InlineData("Europe/London", "2026-03-15T00:00:00Z")]
    [InlineData("America/New_York", "2026-03-15T04:00:00Z")]
    [InlineData("Pacific/Auckland", "2026-03-14T11:00:00Z")]
    [InlineData("Asia/Kolkata", "2026-03-14T18:30:00Z")]
    public void The_worked_example_steps_up_at_the_clinics_own_midnight(string zone, string instant)
    {
        Story story = new Story(zone).Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4);
        Evaluation before = story.AsOf("2026-03-14T23:59");

        Assert.Equal(Outcome.Maintain, before.Outcome);
        Assert.Equal(DateTimeOffset.Parse(instant), before.NextLook);
        Assert.Equal(Outcome.StepUp, story.AsOf("2026-03-15T00:00").Outcome);
    }

    [Theory]
    [InlineData("Europe/London", "2026-03-20", "2026-04-02T23:00:00Z")] // clocks go forward on 29 March
    [InlineData("Europe/London", "2026-10-20", "2026-11-03T00:00:00Z")] // and back on 25 October
    [InlineData("America/New_York", "2026-03-01", "2026-03-15T04:00:00Z")] // forward on 8 March
    [InlineData("America/New_York", "2026-10-25", "2026-11-08T05:00:00Z")] // back on 1 November
    [InlineData("Pacific/Auckland", "2026-04-01", "2026-04-14T12:00:00Z")] // back on 5 April
    [InlineData("Pacific/Auckland", "2026-09-20", "2026-10-03T11:00:00Z")] // forward on 27 September
    public void Fourteen_days_are_fourteen_calendar_days_across_a_change_of_clock(string zone, string start, string instant)
    {
        DateOnly day0 = DateOnly.Parse(start);
        Story story = new Story(zone).Order($"{start}T10:00").CheckIn($"{day0.AddDays(5):yyyy-MM-dd}T19:00", applied: 3)
            .CheckIn($"{day0.AddDays(13):yyyy-MM-dd}T19:00", applied: 4);
        DateTimeOffset opens = DateTimeOffset.Parse(instant);

        Assert.Equal(Outcome.Maintain, At(story, opens.AddMinutes(-1)).Outcome);
        Assert.Equal(opens, At(story, opens.AddMinutes(-1)).NextLook);
        Assert.Equal(Outcome.StepUp, At(story, opens).Outcome);
    }

    [Theory]
    [InlineData("Europe/London", "2026-10-20T10:00", "2026-10-25T01:30")]
    [InlineData("Europe/London", "2026-03-24T10:00", "2026-03-29T02:30")]
    public void A_check_in_in_the_repeated_hour_belongs_to_its_calendar_date(string zone, string order, string checkIn) =>
        Assert.True(new Story(zone).Order(order).CheckIn(checkIn, applied: 3).AsOf(checkIn[..10] + "T12:00").Gives("evidence", Outcome.StepUp));

    [Fact]
    public void Late_in_the_evening_in_New_York_it_is_still_day_4_though_it_is_day_5_in_universal_time() =>
        Assert.True(new Story("America/New_York").Order("2026-03-01T10:00").CheckIn("2026-03-05T23:30", applied: 2)
            .AsOf("2026-03-06T20:00").Gives("evidence", Outcome.Maintain));

    [Fact]
    public void Early_in_the_morning_in_Auckland_it_is_day_5_though_it_is_day_4_in_universal_time() =>
        Assert.True(new Story("Pacific/Auckland").Order("2026-03-01T10:00").CheckIn("2026-03-06T08:00", applied: 3)
            .AsOf("2026-03-06T20:00").Gives("evidence", Outcome.StepUp));

    [Fact]
    public void Observations_with_a_date_and_no_hour_count_on_that_date()
    {
        Story story = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06", applied: 3).CheckIn("2026-03-14", applied: 4);

        Assert.Equal(Outcome.Maintain, story.AsOf("2026-03-14T23:59").Outcome);
        Assert.Equal(Outcome.StepUp, story.AsOf("2026-03-15").Outcome);
    }

    [Fact]
    public void A_recovery_dated_to_the_day_of_a_finding_without_an_hour_is_not_later_than_it() =>
        Assert.Equal(Outcome.Discontinue, Ready().Finding("2026-03-15T09:00", FindingKind.Hives).Recovered("2026-03-15", byClinician: true)
            .AsOf("2026-03-15T20:00").Outcome);

    [Fact]
    public void A_check_in_dated_in_the_future_counts_from_its_time()
    {
        Story story = Ready().CheckIn("2026-03-15T18:00", "3000");
        Evaluation before = story.AsOf("2026-03-15T10:00");

        Assert.Equal(Outcome.StepUp, before.Outcome);
        Assert.Equal(story.Local("2026-03-15T18:00"), before.NextLook);
        Assert.Equal(Outcome.Withhold, story.AsOf("2026-03-15T18:00").Outcome);
    }

    [Fact]
    public void A_course_ordered_for_tomorrow_has_no_outcome_yet_and_is_looked_at_when_it_begins()
    {
        Story story = new Story().Order("2026-03-02T10:00");
        Evaluation evaluation = story.AsOf("2026-03-01T12:00");

        Assert.Null(evaluation.Outcome);
        Assert.Empty(evaluation.Communications);
        Assert.Equal(story.Local("2026-03-02T10:00"), evaluation.NextLook);
    }

    private static Evaluation At(Story story, DateTimeOffset instant) =>
        ImmutableArray.CreateRange(Rules.TitrationPolicy.Evaluate(new Courses.PatientHistory("p1", story.Facts), Story.Standard, new AsOf(instant, story.Zone))).Single();
}
