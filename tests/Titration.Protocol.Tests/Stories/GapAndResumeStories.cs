using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests.Stories;

/// <summary>Rule 9: after nights without, and after a Withhold, one step below (common practice, no source).</summary>
public sealed class GapAndResumeStories
{
    private static Story Nightly(decimal grams = 0.25m, decimal strength = 0.025m) =>
        new Story().Order("2026-03-01T10:00", perDays: 1, grams: grams, strength: strength).CheckIn("2026-03-08T19:00", applied: 7);

    [Theory]
    [InlineData("2026-03-22T19:00", false)]
    [InlineData("2026-03-23T19:00", true)]
    public void Fourteen_nights_without_are_no_gap_and_fifteen_step_down(string at, bool gap)
    {
        Evaluation evaluation = Nightly().CheckIn(at, applied: 0).AsOf("2026-03-23T20:00");

        Assert.Equal(gap, evaluation.Outcome == Outcome.StepDown);
        if (gap)
        {
            evaluation.Decides(Outcome.StepDown, "gap");
            evaluation.Proposes(0.025m, 3.5m, 0.25m);
        }
    }

    [Theory]
    [InlineData("2026-04-19T19:00", "0.05", 7, "0.25")]
    [InlineData("2026-04-20T19:00", "0.025", "3.5", "0.25")]
    public void Forty_two_nights_without_step_down_once_and_forty_three_go_back_to_the_first_step(string at, decimal strength, decimal nights, decimal grams)
    {
        Evaluation evaluation = Nightly(grams: 0.5m, strength: 0.05m).CheckIn(at, applied: 0).AsOf("2026-04-20T20:00");

        evaluation.Decides(Outcome.StepDown, "gap");
        evaluation.Proposes(strength, nights, grams);
    }

    [Fact]
    public void One_application_breaks_a_gap() =>
        Assert.NotEqual(Outcome.StepDown, Nightly().CheckIn("2026-03-23T19:00", applied: 1).AsOf("2026-03-23T20:00").Outcome);

    [Fact]
    public void Several_reports_of_none_make_one_gap() =>
        Assert.Equal(Outcome.StepDown, Nightly().CheckIn("2026-03-16T19:00", applied: 0).CheckIn("2026-03-23T19:00", applied: 0)
            .AsOf("2026-03-23T20:00").Outcome);

    [Fact]
    public void Nights_that_nobody_reported_make_no_gap() =>
        Assert.Equal(Outcome.AwaitCheckIn, Nightly().AsOf("2026-05-23T20:00").Outcome);

    [Fact]
    public void Two_holds_without_a_report_between_them_make_one_gap()
    {
        // 5 to 12 and 15 to 22 March on hold, eight nights each; the two nights between them nobody reported.
        Evaluation evaluation = new Story().Order("2026-03-01T10:00", perDays: 1)
            .Order("2026-03-01T10:00", perDays: 1, status: PrescriptionStatus.OnHold, recorded: "2026-03-05T09:00")
            .Order("2026-03-01T10:00", perDays: 1, recorded: "2026-03-13T09:00")
            .Order("2026-03-01T10:00", perDays: 1, status: PrescriptionStatus.OnHold, recorded: "2026-03-15T09:00")
            .Order("2026-03-01T10:00", perDays: 1, recorded: "2026-03-23T09:00").AsOf("2026-03-23T10:00");

        evaluation.Decides(Outcome.StepDown, "gap");
        Assert.Contains("16 nights", evaluation.Reasons[0].Text, StringComparison.Ordinal);
    }

    [Fact]
    public void On_the_first_step_a_gap_is_noted_and_day_0_comes_again_with_the_next_application()
    {
        Story story = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-08T19:00", applied: 4).CheckIn("2026-03-23T19:00", applied: 0);
        story.AsOf("2026-03-23T20:00").Decides(Outcome.Maintain, "gap");

        Evaluation evaluation = story.CheckIn("2026-03-30T19:00", applied: 4).AsOf("2026-03-30T20:00");

        Assert.InRange(evaluation.Step!.Since, new DateOnly(2026, 3, 23), new DateOnly(2026, 3, 29));
        Assert.True(evaluation.Gives("time-on-step", Outcome.Maintain));
    }

    [Fact]
    public void A_long_gap_never_raises_a_prescription_that_is_below_the_ladder()
    {
        // Once a week at 0.05 %: the ladder's first step would be three and a half times as often.
        Evaluation evaluation = new Story().Order("2026-03-01T10:00", perDays: 7, strength: 0.05m).CheckIn("2026-03-08T19:00", applied: 1)
            .CheckIn("2026-04-20T19:00", applied: 0).AsOf("2026-04-20T20:00");

        evaluation.Decides(Outcome.StepDown, "gap");
        evaluation.Proposes(0.025m, 1m, 0.25m);
    }

    [Fact]
    public void Of_two_rules_that_step_down_the_lower_step_is_proposed()
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00", perDays: 1, grams: 0.5m, strength: 0.05m)
            .CheckIn("2026-03-08T19:00", "2000", applied: 7).CheckIn("2026-04-20T19:00", "2000", applied: 0).AsOf("2026-04-20T20:00");

        Assert.Equal(Outcome.StepDown, evaluation.Outcome);
        evaluation.Proposes(0.025m, 3.5m, 0.25m);
        Assert.Equal(evaluation.Proposed, evaluation.Reasons[0].Proposed);
    }

    [Fact]
    public void After_a_severe_sign_a_mild_check_in_has_to_come_five_days_later()
    {
        Story story = Nightly().CheckIn("2026-03-10T19:00", "3000", applied: 2).CheckIn("2026-03-14T19:00", applied: 0);
        Assert.Equal(Outcome.Withhold, story.AsOf("2026-03-14T20:00").Outcome);

        Evaluation evaluation = story.CheckIn("2026-03-15T19:00", applied: 0).AsOf("2026-03-15T20:00");

        evaluation.Decides(Outcome.Resume, "resume");
        evaluation.Proposes(0.025m, 3.5m, 0.25m);
        Assert.True(evaluation.The(CommunicationKind.StepChange).NeedsApproval);
        Assert.False(evaluation.Has(CommunicationKind.SafetyReferral));
    }

    [Theory]
    [InlineData("2026-03-21T23:59", Outcome.Resume)]
    [InlineData("2026-03-22T12:00", Outcome.AwaitCheckIn)] // 7 days old: it still speaks, and the next check-in is due
    [InlineData("2026-03-23T00:00", Outcome.Withhold)] // 8 days old: silence never ends a Withhold
    public void The_check_in_that_shows_recovery_holds_for_7_days(string at, Outcome outcome)
    {
        Evaluation evaluation = Nightly().CheckIn("2026-03-10T19:00", "3000").CheckIn("2026-03-15T19:00").AsOf(at);

        Assert.Equal(outcome, evaluation.Outcome);
        Assert.Equal(outcome != Outcome.Withhold, evaluation.Gives("resume", Outcome.Resume));
    }

    [Theory]
    [InlineData("2000")]
    [InlineData(".2..")]
    public void A_2_after_the_recovery_withholds_again(string grades) =>
        Assert.Equal(Outcome.Withhold, Nightly().CheckIn("2026-03-10T19:00", "3000").CheckIn("2026-03-15T19:00")
            .CheckIn("2026-03-16T19:00", grades).AsOf("2026-03-16T20:00").Outcome);

    [Fact]
    public void A_later_order_that_is_not_an_equal_repeat_answers_the_withhold()
    {
        Story story = Nightly().CheckIn("2026-03-10T19:00", "3000").CheckIn("2026-03-15T19:00");
        story.Order("2026-03-16T10:00", "rx2", perDays: 1);
        Assert.Equal(Outcome.Resume, story.AsOf("2026-03-16T11:00").Outcome);

        Evaluation evaluation = story.Order("2026-03-17T10:00", "rx3").AsOf("2026-03-17T11:00");
        Assert.Equal(Outcome.Maintain, evaluation.Outcome);
        Assert.Equal(new DateOnly(2026, 3, 17), evaluation.Step!.Since);
    }

    [Fact]
    public void On_the_first_step_the_course_resumes_with_barrier_support()
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-10T19:00", "3000").CheckIn("2026-03-15T19:00").AsOf("2026-03-15T20:00");

        Assert.Equal(Outcome.Resume, evaluation.Outcome);
        evaluation.Proposes(0.025m, 3.5m, 0.25m);
        Assert.True(evaluation.Proposed!.Barrier);
    }

    [Fact]
    public void A_withhold_of_43_nights_resumes_at_the_first_step()
    {
        Evaluation evaluation = Nightly(grams: 0.5m, strength: 0.05m).Finding("2026-03-08T20:00", FindingKind.EczemaFlare)
            .Recovered("2026-04-19T09:00").CheckIn("2026-04-20T19:00").AsOf("2026-04-20T20:00");

        evaluation.Decides(Outcome.Resume, "resume");
        evaluation.Proposes(0.025m, 3.5m, 0.25m);
    }

    [Fact]
    public void Every_cause_has_to_be_over_before_the_course_resumes() =>
        Assert.Equal(Outcome.Withhold, Nightly().Finding("2026-03-09T09:00", FindingKind.Sunburn).CheckIn("2026-03-10T19:00", "3000")
            .CheckIn("2026-03-15T19:00").AsOf("2026-03-15T20:00").Outcome);

    [Fact]
    public void A_pause_that_a_later_start_ends_is_looked_at_on_the_day_on_which_it_makes_a_gap()
    {
        // 8 and 9 March reported without, on hold from 10 March until the next step on 30 March: 15 nights with that of 22 March.
        Story story = Nightly().CheckIn("2026-03-10T08:00", applied: 0)
            .Order("2026-03-01T10:00", perDays: 1, status: PrescriptionStatus.OnHold, recorded: "2026-03-10T09:00")
            .Order("2026-03-12T10:00", "rx2", start: "2026-03-30");

        Assert.NotEqual(Outcome.StepDown, story.AsOf("2026-03-22T23:59").Outcome);
        Assert.Equal(story.Local("2026-03-23"), story.AsOf("2026-03-22T12:00").NextLook);
        story.AsOf("2026-03-23T00:00").Decides(Outcome.StepDown, "gap");
    }
}
