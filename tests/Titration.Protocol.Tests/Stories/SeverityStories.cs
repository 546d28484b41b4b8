using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;
using static Titration.Protocol.Tests.Stories.Expect;

namespace Titration.Protocol.Tests.Stories;

/// <summary>Rule 2: how much irritation, and for how long. The scale is that of the tretinoin microsphere prescribing information (secondary copy).</summary>
public sealed class SeverityStories
{
    private static Story Nightly() => new Story().Order("2026-03-01T10:00", perDays: 1);

    [Theory]
    [InlineData("3000")]
    [InlineData("0300")]
    [InlineData("0030")]
    [InlineData("0003")]
    [InlineData("00003")]
    [InlineData("...3")]
    public void Any_sign_of_3_withholds_even_in_an_incomplete_check_in_and_a_clinician_looks_within_a_day(string grades)
    {
        Story story = Nightly().CheckIn("2026-03-10T19:00", grades);
        Evaluation evaluation = story.AsOf("2026-03-10T20:00");

        evaluation.Decides(Outcome.Withhold, "severe-irritation");
        CommunicationIntent referral = evaluation.The(CommunicationKind.SafetyReferral);
        Assert.Equal((Priority.Urgent, story.Local("2026-03-11T19:00")), (referral.Priority, referral.Due));
        Assert.Equal("leave-out", evaluation.The(CommunicationKind.CareAdvice).Template);
    }

    [Fact]
    public void A_severe_reaction_withholds_even_when_a_step_up_was_ready() =>
        Ready().CheckIn("2026-03-15T09:00", "...3").AsOf("2026-03-15T10:00").Decides(Outcome.Withhold, "severe-irritation");

    [Theory]
    [InlineData("2026-03-08T19:00", Outcome.StepDown)]
    [InlineData("2026-03-09T19:00", Outcome.Maintain)]
    public void A_2_that_has_stood_for_7_days_steps_down_and_one_of_6_days_does_not(string earlier, Outcome outcome)
    {
        Evaluation evaluation = Nightly().CheckIn(earlier, "2000").CheckIn("2026-03-15T19:00", "0002").AsOf("2026-03-15T20:00");

        Assert.Equal(outcome, evaluation.Outcome);
        Assert.Equal(outcome == Outcome.StepDown, evaluation.Gives("lasting-moderate-irritation", Outcome.StepDown));
    }

    [Fact]
    public void A_step_down_is_a_routine_proposal_due_in_3_days_and_the_patient_only_hears_care_advice()
    {
        Story story = Nightly().CheckIn("2026-03-08T19:00", "2000").CheckIn("2026-03-15T19:00", "0200");
        Evaluation evaluation = story.AsOf("2026-03-15T20:00");

        evaluation.Proposes(0.025m, 3.5m, 0.25m);
        CommunicationIntent change = evaluation.The(CommunicationKind.StepChange);
        Assert.Equal((Priority.Routine, true, story.Local("2026-03-18T19:00")), (change.Priority, change.NeedsApproval, change.Due));
        Assert.Equal(Audience.Patient, evaluation.The(CommunicationKind.CareAdvice).Audience);
    }

    [Theory]
    [InlineData("1111", Outcome.Maintain)]
    [InlineData("1.11", Outcome.StepDown)]
    public void Only_a_complete_mild_check_in_between_breaks_a_lasting_2(string between, Outcome outcome) =>
        Assert.Equal(outcome, Nightly().CheckIn("2026-03-08T19:00", "2000").CheckIn("2026-03-12T19:00", between)
            .CheckIn("2026-03-15T19:00", "2000").AsOf("2026-03-15T20:00").Outcome);

    [Fact]
    public void A_later_incomplete_check_in_with_a_2_counts_for_lasting() =>
        Nightly().CheckIn("2026-03-08T19:00", "2000").CheckIn("2026-03-15T19:00", "..2.")
            .AsOf("2026-03-15T20:00").Decides(Outcome.StepDown, "lasting-moderate-irritation");

    [Fact]
    public void A_2_carried_over_from_the_step_before_starts_afresh() =>
        Assert.Equal(Outcome.Maintain, Nightly().CheckIn("2026-03-08T19:00", "2000")
            .Order("2026-03-01T10:00", perDays: 2, recorded: "2026-03-09T10:00")
            .CheckIn("2026-03-15T19:00", "2000").AsOf("2026-03-15T20:00").Outcome);

    [Fact]
    public void A_fresh_2_stays_with_care_advice_and_the_next_check_in_is_due_4_days_after_it()
    {
        Story story = Nightly().CheckIn("2026-03-09T19:00", "0020");

        Evaluation evaluation = story.AsOf("2026-03-12T23:59");
        evaluation.Decides(Outcome.Maintain, "fresh-moderate-irritation");
        Assert.Equal("care-after-moderate", evaluation.The(CommunicationKind.CareAdvice).Template);
        Assert.Equal(story.Local("2026-03-13"), evaluation.NextLook);
        Assert.Equal(Outcome.AwaitCheckIn, story.AsOf("2026-03-13").Outcome);
    }

    [Theory]
    [InlineData("2026-03-14T20:00", Outcome.Maintain)]
    [InlineData("2026-03-15", Outcome.StepUp)]
    public void A_2_dated_7_days_ago_blocks_a_step_up_and_one_of_8_days_ago_does_not(string at, Outcome outcome)
    {
        Evaluation evaluation = new Story().Order("2026-02-25T10:00").CheckIn("2026-03-03T19:00", applied: 3)
            .CheckIn("2026-03-07T19:00", "2000", applied: 2).CheckIn("2026-03-14T19:00", applied: 4).AsOf(at);

        Assert.Equal(outcome, evaluation.Outcome);
        if (outcome == Outcome.Maintain)
        {
            evaluation.StaysOnlyFor("recent-moderate-irritation");
        }
    }

    [Fact]
    public void Signs_of_1_are_expected_and_never_block_a_step_up() =>
        Assert.Equal(Outcome.StepUp, Ready("1111", "1111").AsOf("2026-03-15").Outcome);

    [Theory]
    [InlineData("1000", "1100", "1110", Outcome.Maintain)]
    [InlineData("1000", "1100", "1010", Outcome.StepUp)]
    [InlineData("1000", "1000", "1110", Outcome.StepUp)]
    [InlineData("00001", "10001", "11001", Outcome.Maintain)]
    [InlineData("11000", "11001", "11001", Outcome.StepUp)]
    public void Mild_signs_block_only_while_their_sum_goes_up_over_three_check_ins(string first, string second, string third, Outcome outcome)
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", first, applied: 3)
            .CheckIn("2026-03-10T19:00", second, applied: 2).CheckIn("2026-03-14T19:00", third, applied: 2).AsOf("2026-03-15");

        Assert.Equal(outcome, evaluation.Outcome);
        if (outcome == Outcome.Maintain)
        {
            evaluation.StaysOnlyFor("rising-irritation");
        }
    }

    [Theory]
    [InlineData("2026-03-10T09:00", Outcome.Maintain)]
    [InlineData("2026-03-10T11:00", Outcome.Maintain)]
    [InlineData("2026-03-10T11:01", Outcome.Withhold)]
    public void A_clinicians_grade_replaces_the_patients_of_that_day_up_to_the_clinicians_time(string patient, Outcome outcome) =>
        Assert.Equal(outcome, Nightly().CheckIn(patient, "3000").CheckIn("2026-03-10T11:00", "1000", byClinician: true).AsOf("2026-03-10T20:00").Outcome);

    [Fact]
    public void A_clinician_replaces_only_the_signs_that_the_clinician_graded() =>
        Nightly().CheckIn("2026-03-10T09:00", "0300").CheckIn("2026-03-10T11:00", "1.00", byClinician: true)
            .AsOf("2026-03-10T20:00").Decides(Outcome.Withhold, "severe-irritation");

    [Fact]
    public void A_clinicians_worse_grade_counts_beside_a_patients_later_better_one() =>
        Nightly().CheckIn("2026-03-10T09:00", "3000", byClinician: true).CheckIn("2026-03-10T19:00", "0000")
            .AsOf("2026-03-10T20:00").Decides(Outcome.Withhold, "severe-irritation");

    [Fact]
    public void Of_two_reports_by_the_patient_on_one_day_each_sign_takes_the_worse() =>
        Nightly().CheckIn("2026-03-10T09:00", "0300").CheckIn("2026-03-10T19:00", "0000")
            .AsOf("2026-03-10T20:00").Decides(Outcome.Withhold, "severe-irritation");

    [Fact]
    public void A_patients_report_without_an_hour_may_have_come_after_the_clinicians_and_stands_beside_it() =>
        Nightly().CheckIn("2026-03-10", "3000").CheckIn("2026-03-10T11:00", "1000", byClinician: true)
            .AsOf("2026-03-10T20:00").Decides(Outcome.Withhold, "severe-irritation");

    [Fact]
    public void Lasting_irritation_on_the_first_step_adds_barrier_support_first()
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-08T19:00", "2000").CheckIn("2026-03-15T19:00", "2000")
            .AsOf("2026-03-15T20:00");

        evaluation.Decides(Outcome.StepDown, "lasting-moderate-irritation");
        evaluation.Proposes(0.025m, 3.5m, 0.25m);
        Assert.True(evaluation.Proposed!.Barrier);
    }

    [Fact]
    public void Lasting_irritation_on_the_first_step_with_barrier_support_withholds_urgently()
    {
        Evaluation evaluation = new Story().Finding("2026-02-28T10:00", FindingKind.Caution).Order("2026-03-01T10:00", perDays: 3)
            .CheckIn("2026-03-08T19:00", "2000").CheckIn("2026-03-15T19:00", "2000").AsOf("2026-03-15T20:00");

        evaluation.Decides(Outcome.Withhold, "lasting-at-lowest-step");
        Assert.Equal(Priority.Urgent, evaluation.The(CommunicationKind.SafetyReferral).Priority);
    }

    [Fact]
    public void At_a_withhold_no_step_and_no_effect_review_is_proposed()
    {
        Evaluation evaluation = Nightly().CheckIn("2026-03-08T19:00", "2000").CheckIn("2026-03-15T19:00", "2300").AsOf("2026-05-28T20:00");

        Assert.Equal(Outcome.Withhold, evaluation.Outcome);
        Assert.True(evaluation.Gives("lasting-moderate-irritation", Outcome.StepDown));
        Assert.False(evaluation.Has(CommunicationKind.StepChange));
        Assert.False(evaluation.Has(CommunicationKind.EffectReview));
    }
}
