using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;
using static Titration.Protocol.Tests.Stories.Expect;

namespace Titration.Protocol.Tests.Stories;

/// <summary>
/// Rules 3 to 5: time on the step, applications, evidence. Two weeks' hold and a lag of 3 to 5 days are common practice, no source; reactions at
/// day 3 to 5 are in the tretinoin microsphere prescribing information (secondary copy).
/// </summary>
public sealed class ExposureStories
{
    private static readonly ProtocolDefinition Assuming = Story.Standard with { StepUp = Story.Standard.StepUp with { CountUnreportedNights = true } };

    [Theory]
    [InlineData("2026-03-14T23:59", Outcome.Maintain)]
    [InlineData("2026-03-15T00:00", Outcome.StepUp)]
    [InlineData("2026-03-15T01:00", Outcome.StepUp)]
    public void The_fourteenth_full_day_is_reached_at_midnight_even_in_the_small_hours(string at, Outcome outcome) =>
        Assert.Equal(outcome, Ready().AsOf(at).Outcome);

    [Theory]
    [InlineData(7, Outcome.StepUp)]
    [InlineData(6, Outcome.Maintain)]
    public void Exactly_70_percent_of_the_planned_applications_are_enough_and_one_less_is_not(int second, Outcome outcome)
    {
        // Nightly: 7 and 7 of 20 planned are 70 %, 7 and 6 are 65 %.
        Evaluation evaluation = new Story().Order("2026-03-01T10:00", perDays: 1)
            .CheckIn("2026-03-11T19:00", applied: 7).CheckIn("2026-03-21T19:00", applied: second).AsOf("2026-03-21T20:00");

        Assert.Equal(outcome, evaluation.Outcome);
        if (outcome == Outcome.Maintain)
        {
            evaluation.Decides(Outcome.Maintain, "exposure");
        }
    }

    [Theory]
    [InlineData(3, Outcome.StepUp)]
    [InlineData(2, Outcome.Maintain)]
    public void Six_applications_are_enough_and_five_are_not_though_they_are_over_70_percent(int second, Outcome outcome) =>
        Assert.Equal(outcome, new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", applied: 3)
            .CheckIn("2026-03-14T19:00", applied: second).AsOf("2026-03-15").Outcome);

    [Theory]
    [InlineData(0, 0, Outcome.StepUp)]
    [InlineData(0, 1, Outcome.Maintain)]
    public void Missed_applications_are_taken_off_the_plan(int first, int second, Outcome outcome) => // 6.5 planned; 5.5 are under six
        Assert.Equal(outcome, new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", missed: first)
            .CheckIn("2026-03-14T19:00", missed: second).AsOf("2026-03-15").Outcome);

    [Fact]
    public void Nights_that_nobody_reported_do_not_count()
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00").CheckIn("2026-03-14T19:00").AsOf("2026-03-15");

        Assert.Equal(Outcome.Maintain, evaluation.Outcome);
        Assert.True(evaluation.Gives("exposure", Outcome.Maintain));
    }

    [Fact]
    public void Where_the_protocol_counts_unreported_nights_the_record_says_that_they_are_assumed()
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00").CheckIn("2026-03-14T19:00").AsOf("2026-03-15", Assuming);

        Assert.Equal(Outcome.StepUp, evaluation.Outcome);
        Assert.Contains("assumed", evaluation.Reason("exposure").Text, StringComparison.Ordinal);
    }

    [Fact]
    public void The_70_percent_are_taken_over_covered_nights_only()
    {
        // 8 to 13 March are covered: 6 nights, 3 planned. The nights of 6 and 7 March are not reported and not planned.
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", applied: 3)
            .CheckInForPeriod("2026-03-08", "2026-03-14T19:00", applied: 3).AsOf("2026-03-15");

        Assert.Equal(Outcome.StepUp, evaluation.Outcome);
        Assert.Contains("6 applied of 5.5 planned over 11 reported nights", evaluation.Reason("exposure").Text, StringComparison.Ordinal);
    }

    [Fact]
    public void Overlapping_periods_count_once()
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", applied: 3)
            .CheckInForPeriod("2026-03-03", "2026-03-14T19:00", applied: 4).AsOf("2026-03-15");

        Assert.Contains("7 applied of 6.5 planned over 13 reported nights", evaluation.Reason("exposure").Text, StringComparison.Ordinal);
    }

    [Fact]
    public void A_second_report_of_one_day_covers_no_nights() =>
        new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", applied: 3).CheckIn("2026-03-14T18:00", applied: 2)
            .CheckIn("2026-03-14T19:00", applied: 6).AsOf("2026-03-15").StaysOnlyFor("exposure");

    [Fact]
    public void More_nights_than_there_were_are_capped_and_noted()
    {
        RuleResult exposure = new Story().Order("2026-03-01T10:00", perDays: 1).CheckIn("2026-03-06T19:00", applied: 20)
            .AsOf("2026-03-06T20:00").Reason("exposure");

        Assert.Contains("5 applied of 5 planned", exposure.Text, StringComparison.Ordinal);
        Assert.Contains("15 reported above the nights there were", exposure.Text, StringComparison.Ordinal);
    }

    [Fact]
    public void Withheld_nights_are_neither_planned_nor_counted_and_the_clinician_is_told_of_applications_in_them()
    {
        // Sunburn from 7 March: the nights 7 to 13 are withheld, one of eight may be applied and five were.
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", applied: 3)
            .Finding("2026-03-07T09:00", FindingKind.Sunburn).CheckIn("2026-03-14T19:00", applied: 5).AsOf("2026-03-14T20:00");

        Assert.Equal(Outcome.Withhold, evaluation.Outcome);
        Assert.Contains("4 applied of 3 planned over 6 reported nights", evaluation.Reason("exposure").Text, StringComparison.Ordinal);
        CommunicationIntent task = evaluation.The(CommunicationKind.ClinicTask);
        Assert.Equal(Audience.Prescriber, task.Audience);
    }

    [Fact]
    public void Over_use_does_not_disappear_because_some_of_its_nights_were_withheld()
    {
        // 13 applications in 13 nights of alternate nights; from 7 March on a sunburn withholds, and the patient goes on.
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", applied: 5)
            .CheckIn("2026-03-14T19:00", applied: 8).Finding("2026-03-07T09:00", FindingKind.Sunburn).AsOf("2026-03-14T20:00");

        Assert.Equal(Outcome.Withhold, evaluation.Outcome);
        Assert.True(evaluation.Gives("over-use", Outcome.RequestReview));
    }

    [Fact]
    public void Applications_on_the_step_before_do_not_count_for_the_step_in_force()
    {
        Evaluation evaluation = Ready().Order("2026-03-01T10:00", perDays: 1, recorded: "2026-03-15T10:00").AsOf("2026-03-15T11:00");

        Assert.Contains("0 applied of 0 planned", evaluation.Reason("exposure").Text, StringComparison.Ordinal);
        Assert.True(evaluation.Gives("evidence", Outcome.Maintain));
    }

    [Theory]
    [InlineData("2026-03-05T19:00", 2, Outcome.Maintain)]
    [InlineData("2026-03-06T19:00", 3, Outcome.StepUp)]
    public void A_good_report_proves_something_from_day_5_and_nothing_on_day_4(string at, int applied, Outcome gate) =>
        Assert.True(new Story().Order("2026-03-01T10:00").CheckIn(at, applied: applied).AsOf("2026-03-06T20:00").Gives("evidence", gate));

    [Theory]
    [InlineData("2026-03-21T12:00", Outcome.StepUp)]
    [InlineData("2026-03-22", Outcome.Maintain)]
    public void Evidence_holds_for_7_days_and_not_for_8(string at, Outcome gate) =>
        Assert.True(Ready().AsOf(at).Gives("evidence", gate));

    [Fact]
    public void An_incomplete_check_in_is_no_evidence_since_a_missing_grade_is_never_0()
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-05T19:00", applied: 3)
            .CheckIn("2026-03-11T19:00", "00.0", applied: 4).AsOf("2026-03-11T20:00");

        Assert.True(evaluation.Gives("evidence", Outcome.Maintain));
    }

    [Fact]
    public void Itch_is_not_needed_for_a_complete_check_in_and_does_not_replace_a_missing_sign() =>
        Assert.True(new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", "000.0", applied: 3)
            .AsOf("2026-03-06T20:00").Gives("evidence", Outcome.Maintain));

    [Theory]
    [InlineData("2026-03-06T19:00", Outcome.StepUp)]
    [InlineData("2026-03-07T19:00", Outcome.Maintain)]
    public void Single_observations_of_one_day_by_one_performer_make_a_check_in_and_those_of_two_days_do_not(string last, Outcome gate)
    {
        Story story = new Story().Order("2026-03-01T10:00").Observe("2026-03-06T18:00", Grades("000")).Observe("2026-03-06T18:01", [new Statement.NightsApplied(3)])
            .Observe(last, [new Statement.Graded(Sign.Burning, Grade.None)]);

        Assert.True(story.AsOf("2026-03-07T20:00").Gives("evidence", gate));
    }

    [Fact]
    public void Single_observations_of_patient_and_clinician_do_not_complete_each_other() =>
        Assert.True(new Story().Order("2026-03-01T10:00").Observe("2026-03-06T18:00", Grades("000")).Observe("2026-03-06T18:01", [new Statement.NightsApplied(3)])
            .Observe("2026-03-06T19:00", [new Statement.Graded(Sign.Burning, Grade.None)], byClinician: true)
            .AsOf("2026-03-06T20:00").Gives("evidence", Outcome.Maintain));

    [Fact]
    public void Good_skin_after_a_week_without_applications_is_no_evidence_and_a_check_in_is_asked_for()
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-08T19:00", applied: 7)
            .CheckIn("2026-03-15T19:00", applied: 0).AsOf("2026-03-16");

        evaluation.Decides(Outcome.AwaitCheckIn, "silence");
        Assert.True(evaluation.Gives("evidence", Outcome.Maintain));
        Assert.True(evaluation.Gives("exposure", Outcome.StepUp));
    }
}
