using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;
using static Titration.Protocol.Tests.Stories.Expect;

namespace Titration.Protocol.Tests.Stories;

/// <summary>Rule 1: the reactions that stop a course, and whose word clears them.</summary>
public sealed class FindingStories
{
    [Theory]
    [InlineData(FindingKind.BreathingDifficulty)] // labels (secondary copies)
    [InlineData(FindingKind.FacialSwelling)] // labels (secondary copies): lips, tongue, throat or face
    [InlineData(FindingKind.Hives)] // labels (secondary copies)
    [InlineData(FindingKind.VisionChange)] // adapalene SmPC: a change of vision is an emergency
    public void An_emergency_stops_the_course_at_once_and_outranks_a_step_up_that_was_ready(FindingKind kind)
    {
        Evaluation evaluation = Ready().Finding("2026-03-15T09:00", kind).AsOf("2026-03-15T10:00");

        evaluation.Decides(Outcome.Discontinue, "stop-finding");
        Assert.Equal(Priority.Stat, evaluation.The(CommunicationKind.SafetyReferral).Priority);
        Assert.Equal("stop-emergency", evaluation.The(CommunicationKind.CareAdvice).Template);
        Assert.False(evaluation.Has(CommunicationKind.StepChange));
        Assert.Null(evaluation.Proposed);
    }

    [Theory]
    [InlineData(FindingKind.Blistering)] // tretinoin prescribing information (primary)
    [InlineData(FindingKind.SuspectedAllergy)] // adapalene/benzoyl peroxide prescribing information (secondary copy)
    [InlineData(FindingKind.EyeInvolvement)] // adapalene SmPC (primary and secondary)
    [InlineData(FindingKind.SkinInfection)] // CTCAE v5.0 skin infection, grade 2 (primary)
    public void A_serious_skin_reaction_stops_the_course_and_is_seen_within_a_day(FindingKind kind)
    {
        Story story = Ready().Finding("2026-03-15T09:00", kind);
        Evaluation evaluation = story.AsOf("2026-03-15T10:00");

        evaluation.Decides(Outcome.Discontinue, "stop-finding");
        CommunicationIntent referral = evaluation.The(CommunicationKind.SafetyReferral);
        Assert.Equal((Priority.Urgent, true), (referral.Priority, referral.HasTask));
        Assert.Equal(story.Local("2026-03-16T09:00"), referral.Due);
        Assert.Equal("stop-and-wait", evaluation.The(CommunicationKind.CareAdvice).Template);
    }

    [Theory]
    [InlineData(FindingKind.Hives)]
    [InlineData(FindingKind.Blistering)]
    public void The_patients_own_word_does_not_clear_a_stop_finding_and_a_clinicians_does(FindingKind kind)
    {
        Story story = Ready().Finding("2026-03-15T09:00", kind).Recovered("2026-03-17T09:00");
        story.AsOf("2026-03-17T10:00").Decides(Outcome.Discontinue, "stop-finding");

        story.Recovered("2026-03-18T09:00", byClinician: true);
        Assert.Equal(Outcome.Withhold, story.AsOf("2026-03-18T10:00").Outcome);
    }

    [Fact]
    public void A_clinicians_recovered_from_before_the_reaction_does_not_clear_it() =>
        Ready().Recovered("2026-03-15T08:00", byClinician: true).Finding("2026-03-15T09:00", FindingKind.Hives)
            .AsOf("2026-03-15T10:00").Decides(Outcome.Discontinue, "stop-finding");

    [Fact]
    public void After_a_cleared_reaction_the_course_goes_on_at_the_first_step_once_a_check_in_shows_calm_skin()
    {
        Story story = new Story().Order("2026-03-01T10:00", perDays: 1, grams: 0.5m, strength: 0.05m)
            .Finding("2026-03-15T09:00", FindingKind.Blistering)
            .Recovered("2026-03-18T09:00", byClinician: true);
        Assert.Equal(Outcome.Withhold, story.AsOf("2026-03-18T10:00").Outcome);

        Evaluation evaluation = story.CheckIn("2026-03-19T19:00").AsOf("2026-03-19T20:00");

        evaluation.Decides(Outcome.Resume, "resume");
        evaluation.Proposes(0.025m, 3.5m, 0.25m);
    }

    [Fact]
    public void An_order_written_while_the_reaction_stood_does_not_take_the_place_of_going_on_at_the_first_step()
    {
        Story story = new Story().Order("2026-03-01T10:00", perDays: 1)
            .Finding("2026-03-15T09:00", FindingKind.Blistering)
            .Order("2026-03-16T10:00", id: "rx2", perDays: 1, grams: 0.5m, prior: "rx1")
            .Recovered("2026-03-18T09:00", byClinician: true);
        Assert.Equal(Outcome.Withhold, story.AsOf("2026-03-18T10:00").Outcome);

        Evaluation evaluation = story.CheckIn("2026-03-19T19:00").AsOf("2026-03-19T20:00");

        evaluation.Decides(Outcome.Resume, "resume");
        evaluation.Proposes(0.025m, 3.5m, 0.25m);
    }

    [Fact]
    public void An_order_written_after_the_clinician_cleared_the_reaction_is_the_clinicians_own_way_on() =>
        Assert.Equal(Outcome.Maintain, new Story().Order("2026-03-01T10:00", perDays: 1)
            .Finding("2026-03-15T09:00", FindingKind.Blistering)
            .Recovered("2026-03-18T09:00", byClinician: true)
            .Order("2026-03-18T10:00", id: "rx2", prior: "rx1")
            .AsOf("2026-03-18T11:00").Outcome);

    [Fact]
    public void A_check_in_from_before_the_clinician_cleared_the_reaction_does_not_let_the_course_go_on() =>
        Assert.Equal(Outcome.Withhold, new Story().Order("2026-03-01T10:00", perDays: 1)
            .Finding("2026-03-15T09:00", FindingKind.Blistering).CheckIn("2026-03-17T19:00").Recovered("2026-03-18T09:00", byClinician: true)
            .AsOf("2026-03-18T10:00").Outcome);

    [Theory]
    [InlineData("2026-03-06T19:00", Outcome.Discontinue, "early-severe-irritation")]
    [InlineData("2026-03-07T19:00", Outcome.Withhold, "severe-irritation")]
    public void Severe_irritation_stops_the_course_up_to_day_5_and_withholds_from_day_6(string at, Outcome outcome, string rule)
    {
        // Tretinoin microsphere 0.1 % prescribing information (secondary copy): 4 of 14 stops were severe reactions at day 3 to 5.
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").CheckIn(at, "0300").AsOf("2026-03-07T20:00");

        evaluation.Decides(outcome, rule);
        Assert.Equal(Priority.Urgent, evaluation.The(CommunicationKind.SafetyReferral).Priority);
    }

    [Fact]
    public void Early_severe_irritation_that_a_clinician_cleared_still_needs_a_mild_check_in_five_days_after_it()
    {
        Story story = new Story().Order("2026-03-01T10:00", perDays: 1)
            .CheckIn("2026-03-04T19:00", "3000")
            .Recovered("2026-03-05T09:00", byClinician: true)
            .CheckIn("2026-03-08T19:00");
        Assert.Equal(Outcome.Withhold, story.AsOf("2026-03-08T20:00").Outcome);

        Evaluation evaluation = story.CheckIn("2026-03-09T19:00").AsOf("2026-03-09T20:00");

        Assert.Equal(Outcome.Resume, evaluation.Outcome);
        evaluation.Proposes(0.025m, 3.5m, 0.25m);
    }

    [Fact]
    public void An_order_written_while_early_severe_irritation_stood_does_not_take_the_place_of_going_on_at_the_first_step() =>
        Assert.Equal(Outcome.Withhold, new Story().Order("2026-03-01T10:00", perDays: 1)
            .CheckIn("2026-03-04T19:00", "3000")
            .Order("2026-03-05T09:00", id: "rx2", prior: "rx1")
            .Recovered("2026-03-06T09:00", byClinician: true)
            .AsOf("2026-03-06T10:00").Outcome);

    [Fact]
    public void A_reaction_that_nobody_cleared_stands_against_a_new_course_too()
    {
        Story story = new Story().Finding("2026-02-01T09:00", FindingKind.SuspectedAllergy).Order("2026-03-01T10:00");
        story.AsOf("2026-03-02T10:00").Decides(Outcome.Discontinue, "stop-finding");

        story.Recovered("2026-03-03T09:00", byClinician: true);
        Assert.Equal(Outcome.Maintain, story.AsOf("2026-03-03T10:00").Outcome);
    }

    [Fact]
    public void A_finding_that_was_entered_in_error_is_gone_at_once() =>
        Assert.Equal(Outcome.StepUp, Ready().Finding("2026-03-15T09:00", FindingKind.Hives, id: "f1")
            .Observe("2026-03-15T09:00", [], id: "f1", status: ObservationStatus.Removed, recorded: "2026-03-15T09:30", version: "2")
            .AsOf("2026-03-15T10:00").Outcome);

    [Fact]
    public void A_clinicians_check_in_of_the_same_day_never_outranks_a_finding() =>
        Ready().Finding("2026-03-15T09:00", FindingKind.Hives).CheckIn("2026-03-15T09:30", byClinician: true)
            .AsOf("2026-03-15T10:00").Decides(Outcome.Discontinue, "stop-finding");

    [Fact]
    public void A_clinic_may_turn_the_fixed_messages_off()
    {
        ProtocolDefinition quiet = Story.Standard with { FixedPatientMessages = false };
        Evaluation evaluation = Ready().Finding("2026-03-15T09:00", FindingKind.Hives).AsOf("2026-03-15T10:00", quiet);

        Assert.True(evaluation.Has(CommunicationKind.SafetyReferral));
        Assert.DoesNotContain(evaluation.Communications, c => c.Audience == Audience.Patient);
    }

    [Fact]
    public void The_most_pressing_of_two_findings_decides_and_both_are_referred()
    {
        Evaluation evaluation = Ready().Finding("2026-03-15T08:00", FindingKind.Blistering).Finding("2026-03-15T09:00", FindingKind.Hives)
            .AsOf("2026-03-15T10:00");

        Assert.Equal(2, evaluation.Findings.Length);
        Assert.Equal(2, evaluation.Communications.Count(c => c.Kind == CommunicationKind.SafetyReferral));
        Assert.Contains("hives", evaluation.Reasons[0].Text, StringComparison.Ordinal);
        Assert.Equal("stop-emergency", evaluation.The(CommunicationKind.CareAdvice).Template);
    }

    [Theory]
    [InlineData(FindingKind.Hives, 1)]
    [InlineData(FindingKind.Blistering, 0)]
    public void An_emergency_without_any_prescription_is_referred_and_lesser_findings_are_not(FindingKind kind, int referrals)
    {
        IEnumerable<Evaluation> evaluations = new Story().Finding("2026-03-15T09:00", kind).AllAsOf("2026-03-15T10:00");

        Assert.Equal(referrals, evaluations.Count(e => e.Course is null && e.Outcome is null && e.The(CommunicationKind.SafetyReferral).Priority == Priority.Stat));
    }
}
