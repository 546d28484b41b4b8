using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests;

/// <summary>The worked example of the agreed clinical rules, day by day.</summary>
public sealed class WorkedExampleTests
{
    private static Story Worked() => new Story()
        .Order("2026-03-01T10:00")
        .CheckIn("2026-03-06T19:00", applied: 3)
        .CheckIn("2026-03-14T19:00", applied: 4);

    [Fact]
    public void On_day_13_the_course_stays_because_14_full_days_are_needed()
    {
        Evaluation evaluation = Worked().AsOf("2026-03-14T20:00");

        Assert.Equal(Outcome.Maintain, evaluation.Outcome);
        Assert.Contains(evaluation.Reasons, r => r.Rule == "time-on-step" && r.Outcome == Outcome.Maintain && r.Text.Contains("day 13", StringComparison.Ordinal));
        Assert.Equal(new DateTimeOffset(2026, 3, 15, 0, 0, 0, TimeSpan.Zero), evaluation.NextLook);
    }

    [Fact]
    public void From_the_start_of_day_14_nightly_is_proposed()
    {
        Evaluation evaluation = Worked().AsOf("2026-03-15");

        Assert.Equal(Outcome.StepUp, evaluation.Outcome);
        Assert.Equal(7m, evaluation.Proposed!.Frequency.NightsPerWeek);
        Assert.Equal(0.25m, evaluation.Proposed.GramsPerApplication);
        Assert.Contains(evaluation.Reasons, r => r.Text.Contains("7 applied of 6.5 planned over 13 reported nights", StringComparison.Ordinal));
    }

    [Fact]
    public void Three_nights_on_hold_move_it_to_18_March()
    {
        Story story = Worked()
            .Order("2026-03-01T10:00", status: PrescriptionStatus.OnHold, recorded: "2026-03-08T09:00")
            .Order("2026-03-01T10:00", recorded: "2026-03-11T09:00");

        Assert.Equal(Outcome.Maintain, story.AsOf("2026-03-17T12:00").Outcome);
        Assert.Equal(Outcome.StepUp, story.AsOf("2026-03-18").Outcome);
        Assert.Equal(Outcome.Withhold, story.AsOf("2026-03-09T12:00").Outcome);
    }
}
