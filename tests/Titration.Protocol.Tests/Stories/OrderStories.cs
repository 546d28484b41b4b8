using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;
using static Titration.Protocol.Tests.Stories.Expect;

namespace Titration.Protocol.Tests.Stories;

/// <summary>The prescription is the truth about treatment: holds, ends, repeats, doses that are asked about.</summary>
public sealed class OrderStories
{
    [Fact]
    public void An_order_on_hold_withholds_without_a_referral_or_a_message()
    {
        Evaluation evaluation = Ready().Order("2026-03-01T10:00", status: PrescriptionStatus.OnHold, recorded: "2026-03-15T09:00").AsOf("2026-03-15T10:00");

        evaluation.Decides(Outcome.Withhold, "order-on-hold");
        Assert.Empty(evaluation.Communications);
    }

    [Theory]
    [InlineData("2026-03-24T09:00", "2026-03-01")]
    [InlineData("2026-03-25T09:00", "2026-03-25")]
    public void Fourteen_nights_on_hold_keep_the_step_and_fifteen_begin_it_anew(string active, string since) =>
        Assert.Equal(DateOnly.Parse(since), new Story().Order("2026-03-01T10:00")
            .Order("2026-03-01T10:00", status: PrescriptionStatus.OnHold, recorded: "2026-03-10T09:00")
            .Order("2026-03-01T10:00", recorded: active).AsOf("2026-03-25T12:00").Step!.Since);

    [Fact]
    public void A_hold_counts_as_nights_without_and_makes_a_gap_with_the_nights_around_it()
    {
        // 8 to 9 March reported without, 10 to 19 on hold, 20 to 22 reported without: 15 nights.
        Evaluation evaluation = new Story().Order("2026-03-01T10:00", perDays: 1).CheckIn("2026-03-08T19:00", applied: 7)
            .Order("2026-03-01T10:00", perDays: 1, status: PrescriptionStatus.OnHold, recorded: "2026-03-10T09:00")
            .Order("2026-03-01T10:00", perDays: 1, recorded: "2026-03-20T09:00")
            .CheckIn("2026-03-23T19:00", applied: 0).AsOf("2026-03-23T20:00");

        evaluation.Decides(Outcome.StepDown, "gap");
    }

    [Theory]
    [InlineData(PrescriptionStatus.Ended)]
    [InlineData(PrescriptionStatus.NeverInForce)]
    public void A_stopped_or_cancelled_order_ends_the_course_and_withdraws_what_was_open(PrescriptionStatus status)
    {
        Story story = Ready();
        Assert.True(story.AsOf("2026-03-15T10:00").Has(CommunicationKind.StepChange));

        Evaluation evaluation = story.Order("2026-03-01T10:00", status: status, recorded: "2026-03-15T11:00").AsOf("2026-03-15T12:00");
        Assert.Null(evaluation.Outcome);
        Assert.Empty(evaluation.Communications);
        Assert.Empty(evaluation.Reasons);
    }

    [Theory]
    [InlineData(PrescriptionStatus.Ended)]
    [InlineData(PrescriptionStatus.Removed)]
    public void A_referral_stands_after_the_course_has_ended_or_was_entered_in_error(PrescriptionStatus status)
    {
        Evaluation evaluation = Ready().Finding("2026-03-15T09:00", FindingKind.Blistering)
            .Order("2026-03-01T10:00", status: status, recorded: "2026-03-15T11:00").AsOf("2026-03-16T08:00");

        Assert.Null(evaluation.Outcome);
        Assert.Equal([CommunicationKind.SafetyReferral], evaluation.Communications.Select(c => c.Kind));
    }

    [Fact]
    public void An_order_entered_in_error_with_nothing_in_its_place_leaves_no_outcome_and_nothing_open()
    {
        Evaluation evaluation = Ready().Order("2026-03-01T10:00", status: PrescriptionStatus.Removed, recorded: "2026-03-15T11:00").AsOf("2026-03-15T12:00");

        Assert.Null(evaluation.Outcome);
        Assert.Empty(evaluation.Communications);
    }

    [Fact]
    public void An_order_entered_in_error_beside_a_good_one_is_as_if_it_had_never_been()
    {
        Evaluation evaluation = Ready().Order("2026-03-10T10:00", "rx2", perDays: 1, grams: 0.5m)
            .Order("2026-03-10T10:00", "rx2", perDays: 1, grams: 0.5m, status: PrescriptionStatus.Removed, recorded: "2026-03-11T10:00").AsOf("2026-03-15");

        Assert.Equal(Outcome.StepUp, evaluation.Outcome);
        Assert.Equal(new DateOnly(2026, 3, 1), evaluation.Step!.Since);
    }

    [Fact]
    public void A_draft_or_a_plan_is_no_course() =>
        Assert.Empty(new Story().Order("2026-03-01T10:00", status: PrescriptionStatus.NeverInForce).AllAsOf("2026-03-10T10:00"));

    [Theory]
    [InlineData("2026-04-03T12:00", 1)]
    [InlineData("2026-04-04T12:00", 0)]
    public void A_severe_sign_up_to_14_days_after_the_end_is_referred_and_on_day_15_it_is_not(string at, int referrals)
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").Order("2026-03-01T10:00", status: PrescriptionStatus.Ended, recorded: "2026-03-20T09:00")
            .CheckIn(at, "3000").AsOf("2026-04-10T12:00");

        Assert.Null(evaluation.Outcome);
        Assert.Equal(referrals, evaluation.Communications.Count(c => c.Kind == CommunicationKind.SafetyReferral));
    }

    [Theory]
    [InlineData("2026-04-03T12:00", FindingKind.Blistering, 1)]
    [InlineData("2026-04-04T12:00", FindingKind.Blistering, 0)]
    [InlineData("2026-04-04T12:00", FindingKind.Hives, 1)]
    [InlineData("2026-04-03T12:00", FindingKind.Sunburn, 0)]
    public void A_stop_finding_is_referred_for_14_days_after_the_end_and_an_emergency_always(string at, FindingKind kind, int referrals) =>
        Assert.Equal(referrals, new Story().Order("2026-03-01T10:00").Order("2026-03-01T10:00", status: PrescriptionStatus.Ended, recorded: "2026-03-20T09:00")
            .Finding(at, kind).AllAsOf("2026-04-10T12:00").Sum(e => e.Communications.Count(c => c.Kind == CommunicationKind.SafetyReferral)));

    [Fact]
    public void The_14_days_after_the_end_count_from_the_stop_and_not_from_a_hold_before_it() =>
        Assert.True(new Story().Order("2026-03-01T10:00")
            .Order("2026-03-01T10:00", status: PrescriptionStatus.OnHold, recorded: "2026-03-05T09:00")
            .Order("2026-03-01T10:00", status: PrescriptionStatus.Ended, recorded: "2026-03-20T09:00")
            .CheckIn("2026-03-22T12:00", "3000").AsOf("2026-03-22T13:00").Has(CommunicationKind.SafetyReferral));

    [Theory]
    [InlineData("2026-03-02T01:00")]
    [InlineData("2026-03-02T23:30")]
    public void An_order_written_at_night_counts_for_the_evening_of_its_calendar_date(string authored) =>
        Assert.Equal(new DateOnly(2026, 3, 2), new Story().Order(authored).AsOf("2026-03-03T12:00").Step!.Since);

    [Fact]
    public void A_course_that_begins_later_waits_for_its_first_night()
    {
        Story story = new Story().Order("2026-03-01T10:00", start: "2026-03-10");
        Evaluation evaluation = story.AsOf("2026-03-05T12:00");
        evaluation.Decides(Outcome.Maintain, "not-begun");
        Assert.Null(evaluation.Step);
        Assert.Equal(story.Local("2026-03-10"), evaluation.NextLook);

        Assert.Equal(new DateOnly(2026, 3, 10), story.AsOf("2026-03-10").Step!.Since);
    }

    [Fact]
    public void An_equal_repeat_continues_the_step()
    {
        Evaluation evaluation = Ready().Order("2026-03-10T10:00", "rx2").AsOf("2026-03-15");

        Assert.Equal(Outcome.StepUp, evaluation.Outcome);
        Assert.Equal("rx2", evaluation.Order!.Id);
    }

    [Fact]
    public void A_changed_dosage_begins_a_new_step_with_the_night_of_the_change()
    {
        Evaluation evaluation = Ready().Order("2026-03-15T10:00", "rx2", perDays: 1).AsOf("2026-03-20T12:00");

        Assert.Equal(new DateOnly(2026, 3, 15), evaluation.Step!.Since);
        Assert.Equal(7m, evaluation.Step.Step.Frequency.NightsPerWeek);
    }

    [Theory]
    [InlineData("0.5", Outcome.Maintain)]
    [InlineData("0.51", Outcome.RequestReview)]
    public void More_than_half_a_gram_to_the_face_is_asked_about_and_never_adopted(decimal grams, Outcome outcome)
    {
        // Full amount, face: one fingertip unit, about 0.5 g (common practice, no source).
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").Order("2026-03-05T10:00", "rx2", grams: grams).AsOf("2026-03-05T11:00");

        Assert.Equal(outcome, evaluation.Outcome);
        if (outcome == Outcome.RequestReview)
        {
            evaluation.Decides(Outcome.RequestReview, "dose-over-maximum");
            Assert.Equal(Priority.Urgent, evaluation.The(CommunicationKind.Review).Priority);
            Assert.Equal(0.25m, evaluation.Step!.Step.GramsPerApplication);
        }
    }

    [Theory]
    [InlineData(DosageDoubt.AsNeeded)]
    [InlineData(DosageDoubt.TextOnly)]
    [InlineData(DosageDoubt.StrengthUnknown)]
    public void A_dosage_that_cannot_be_read_with_certainty_is_a_routine_review_and_the_last_step_stays(DosageDoubt doubt)
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").Order("2026-03-05T10:00", "rx2", doubts: doubt).AsOf("2026-03-05T11:00");

        evaluation.Decides(Outcome.RequestReview, "dosage-uncertain");
        Assert.Equal(Priority.Routine, evaluation.The(CommunicationKind.Review).Priority);
        Assert.Equal(new DateOnly(2026, 3, 1), evaluation.Step!.Since);
    }

    [Fact]
    public void A_first_order_over_the_maximum_has_no_step_and_is_reviewed() =>
        new Story().Order("2026-03-01T10:00", grams: 1m).AsOf("2026-03-02T10:00").Decides(Outcome.RequestReview, "dose-over-maximum");
}
