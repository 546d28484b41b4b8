using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests.Stories;

/// <summary>What clinicians answer, and what it changes.</summary>
public sealed class AnswerStories
{
    private static Story ReadyForMore() => new Story().Order("2026-03-01T10:00").CheckIn("2026-03-07T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4);

    [Fact]
    public void An_approval_alone_changes_nothing_since_the_prescription_is_the_truth_about_treatment()
    {
        Evaluation evaluation = ReadyForMore().Answer("2026-03-16T09:00", TaskAnswer.Approved, CommunicationKind.StepChange, "2026-03-15T06:00").AsOf("2026-03-17T06:00");

        Assert.Equal(3.5m, evaluation.Step!.Step.Frequency.NightsPerWeek);
        Assert.Equal(Outcome.StepUp, evaluation.Outcome);
    }

    [Fact]
    public void Where_the_clinic_lets_the_task_decide_the_step_begins_on_the_evening_of_the_approval()
    {
        Story story = ReadyForMore().Answer("2026-03-16T09:00", TaskAnswer.Approved, CommunicationKind.StepChange, "2026-03-15T06:00");
        Evaluation evaluation = story.AsOf("2026-03-17T06:00", Story.Standard with { Approval = Definitions.Approval.Task });

        Assert.Equal(7m, evaluation.Step!.Step.Frequency.NightsPerWeek);
        Assert.Equal(new DateOnly(2026, 3, 16), evaluation.Step.Since);
    }

    [Fact]
    public void Approved_and_prescribed_the_step_is_in_force_from_the_order_and_its_grounds_held()
    {
        Story story = ReadyForMore().Answer("2026-03-16T09:00", TaskAnswer.Approved, CommunicationKind.StepChange, "2026-03-15T06:00")
            .Order("2026-03-16T09:05", "rx2", perDays: 1);
        Evaluation evaluation = story.AsOf("2026-03-17T06:00");

        Assert.Equal(new DateOnly(2026, 3, 16), evaluation.Step!.Since);
        Assert.Equal(Outcome.Maintain, evaluation.Outcome);
        Assert.True(Grounds.Hold(new PatientHistory("p1", story.Facts), story.Facts.OfType<AnswerFact>().Single(), Story.Standard, story.Zone));
    }

    [Fact]
    public void Approved_while_a_severe_reaction_was_still_on_its_way_the_grounds_have_gone_and_it_is_left_out()
    {
        Story story = ReadyForMore().Answer("2026-03-16T09:00", TaskAnswer.Approved, CommunicationKind.StepChange, "2026-03-15T06:00")
            .CheckIn("2026-03-15T20:00", "0003");

        Assert.False(Grounds.Hold(new PatientHistory("p1", story.Facts), story.Facts.OfType<AnswerFact>().Single(), Story.Standard, story.Zone));
        Assert.Equal(Outcome.Withhold, story.AsOf("2026-03-16T10:00").Outcome);
        Assert.DoesNotContain(story.AsOf("2026-03-16T10:00").Communications, c => c.Kind == CommunicationKind.StepChange);
    }

    [Theory]
    [InlineData("2026-03-16T09:04", true)] // in force, the order not yet written
    [InlineData("2026-03-16T09:06", false)]
    public void A_stricter_protocol_judges_no_step_that_was_approved_and_ordered_before_it(string since, bool judged)
    {
        Story story = ReadyForMore().Answer("2026-03-16T09:00", TaskAnswer.Approved, CommunicationKind.StepChange, "2026-03-15T06:00")
            .Order("2026-03-16T09:05", "rx2", perDays: 1);
        ProtocolDefinition stricter = Story.Standard with { StandardLadder = Story.Standard.StandardLadder with { MinimumDaysOnStep = 21 } };

        Evaluation evaluation = Assert.Single(TitrationPolicy.Evaluate(
            new PatientHistory("p1", story.Facts), stricter, new AsOf(story.Local("2026-03-17T06:00"), story.Zone, story.Local(since))));

        Assert.Equal(judged, evaluation.Reasons.Any(r => r.Rule == "grounds-gone"));
    }

    [Fact]
    public void Approved_after_the_check_in_it_rested_on_was_withdrawn_it_is_asked_about()
    {
        Story story = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-07T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4, id: "wrong")
            .Answer("2026-03-16T09:00", TaskAnswer.Approved, CommunicationKind.StepChange, "2026-03-15T06:00")
            .CheckIn("2026-03-14T19:00", id: "wrong", status: ObservationStatus.Removed, recorded: "2026-03-16T08:00", version: "2");

        Evaluation evaluation = story.AsOf("2026-03-16T10:00");
        Assert.Contains(evaluation.Reasons, r => r.Rule == "grounds-gone" && r.Outcome == Outcome.RequestReview);
    }

    [Theory]
    [InlineData("2026-03-20T06:00", Outcome.Maintain)]
    [InlineData("2026-03-29T06:00", Outcome.Maintain)]
    [InlineData("2026-03-30T06:00", Outcome.StepUp)]
    public void A_declined_step_up_is_not_made_again_for_14_days(string at, Outcome outcome)
    {
        Story story = ReadyForMore().Answer("2026-03-16T09:00", TaskAnswer.Declined, CommunicationKind.StepChange, "2026-03-15T06:00")
            .CheckIn("2026-03-19T19:00", applied: 3).CheckIn("2026-03-25T19:00", applied: 3).CheckIn("2026-03-29T05:00", applied: 2);

        Assert.Equal(outcome, story.AsOf(at).Outcome);
        Assert.Equal(outcome == Outcome.Maintain, story.AsOf(at).Reasons.Any(r => r.Rule == "declined"));
    }

    [Fact]
    public void A_declined_step_down_is_made_again_when_another_2_is_reported()
    {
        Story story = new Story().Order("2026-03-01T10:00", perDays: 1).CheckIn("2026-03-08T19:00", "2000", applied: 7).CheckIn("2026-03-15T19:00", "2000", applied: 7)
            .Answer("2026-03-16T09:00", TaskAnswer.Declined, CommunicationKind.StepChange, "2026-03-15T20:00");

        Assert.Equal(Outcome.Maintain, story.AsOf("2026-03-16T10:00").Outcome);
        Assert.Equal(Outcome.StepDown, story.CheckIn("2026-03-17T19:00", "2000", applied: 2).AsOf("2026-03-17T20:00").Outcome);
    }

    [Fact]
    public void A_review_that_was_answered_is_not_raised_again_by_the_same_facts()
    {
        Story story = ReadyForMore().Finding("2026-03-10T12:00", FindingKind.Breastfeeding);
        Assert.Equal(Outcome.RequestReview, story.AsOf("2026-03-15T06:00").Outcome);

        story.Answer("2026-03-15T09:00", TaskAnswer.Done, CommunicationKind.Review, "2026-03-15T06:00");

        Assert.Equal(Outcome.StepUp, story.AsOf("2026-03-15T10:00").Outcome);
    }

    [Fact]
    public void An_unknown_age_is_asked_about_once_and_then_the_step_up_may_be_proposed()
    {
        Story story = new Story(ageKnown: false).Order("2026-03-01T10:00").CheckIn("2026-03-07T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4);
        Assert.Equal(Outcome.RequestReview, story.AsOf("2026-03-15T06:00").Outcome);

        Assert.Equal(Outcome.StepUp, story.Answer("2026-03-15T09:00", TaskAnswer.Done, CommunicationKind.Review, "2026-03-15T06:00").AsOf("2026-03-15T10:00").Outcome);
    }

    [Fact]
    public void Starting_again_at_the_same_dosage_takes_effect_with_the_approval()
    {
        Story story = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-09T19:00", "0003", applied: 4).CheckIn("2026-03-15T19:00", applied: 0);
        Evaluation proposed = story.AsOf("2026-03-16T06:00");
        Assert.Equal(Outcome.Resume, proposed.Outcome);
        Assert.True(proposed.Proposed!.Barrier);

        Evaluation after = story.Answer("2026-03-16T09:00", TaskAnswer.Approved, CommunicationKind.StepChange, "2026-03-16T06:00").AsOf("2026-03-16T10:00");

        Assert.Equal(Outcome.Maintain, after.Outcome);
        Assert.Equal(new DateOnly(2026, 3, 16), after.Step!.Since);
        Assert.True(after.Step.Step.Barrier);
    }

    [Fact]
    public void A_new_order_after_the_referral_was_answered_lifts_a_stop_finding_and_an_equal_repeat_does_not()
    {
        Story Stopped() => new Story().Order("2026-03-01T10:00").Finding("2026-03-10T12:00", FindingKind.Blistering)
            .Answer("2026-03-11T09:00", TaskAnswer.Done, CommunicationKind.SafetyReferral, "2026-03-10T13:00");

        Assert.Equal(Outcome.Discontinue, Stopped().AsOf("2026-03-12T06:00").Outcome);
        Assert.Equal(Outcome.Discontinue, Stopped().Order("2026-03-12T10:00", "rx2").AsOf("2026-03-12T12:00").Outcome);
        Assert.Equal(Outcome.Maintain, Stopped().Order("2026-03-12T10:00", "rx2", perDays: 3).AsOf("2026-03-12T12:00").Outcome);
    }

    [Fact]
    public void After_the_end_a_referral_stands_until_it_is_answered()
    {
        Story story = new Story().Order("2026-03-01T10:00").Finding("2026-03-10T12:00", FindingKind.Hives)
            .Order("2026-03-01T10:00", status: PrescriptionStatus.Ended, recorded: "2026-03-11T09:00");
        Assert.Single(story.AsOf("2026-03-12T06:00").Communications);

        Assert.Empty(story.Answer("2026-03-12T09:00", TaskAnswer.Done, CommunicationKind.SafetyReferral, "2026-03-12T06:00").AsOf("2026-03-12T10:00").Communications);
    }
}
