using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;
using static Titration.Protocol.Tests.Stories.Expect;

namespace Titration.Protocol.Tests.Stories;

/// <summary>Rule 1: other products, holds of the skin, procedures; two courses at once.</summary>
public sealed class OtherProductStories
{
    private static readonly ProtocolDefinition WithProcedureDays =
        Story.Standard with { Dose = Story.Standard.Dose with { ProcedureDaysBefore = 7, ProcedureDaysAfter = 14 } };

    [Theory]
    [InlineData("retinol")]
    [InlineData("isotretinoin, oral")] // ATC D10BA01; adapalene SmPC (primary): not together
    public void Another_retinoid_withholds_and_a_clinician_looks_within_a_day(string ingredient)
    {
        Evaluation evaluation = Ready().Other("2026-03-15T09:00", ingredient, ProductRole.OtherRetinoid).AsOf("2026-03-15T10:00");

        evaluation.Decides(Outcome.Withhold, "another-retinoid");
        Assert.Equal(Priority.Urgent, evaluation.The(CommunicationKind.SafetyReferral).Priority);
        Assert.Equal("leave-out", evaluation.The(CommunicationKind.CareAdvice).Template);
    }

    [Fact]
    public void Another_retinoid_withholds_a_course_whose_only_order_so_far_could_not_be_adopted() =>
        new Story().Other("2026-02-01T09:00", "retinol", ProductRole.OtherRetinoid)
            .Order("2026-03-01T10:00", "rx2", grams: 0.6m).Order("2026-06-01T10:00")
            .AsOf("2026-03-15T10:00").Decides(Outcome.Withhold, "another-retinoid");

    [Fact]
    public void Oral_isotretinoin_alone_is_no_course() =>
        Assert.Empty(new Story().Other("2026-03-15T09:00", "isotretinoin, oral", ProductRole.OtherRetinoid).AllAsOf("2026-03-20T10:00"));

    [Fact]
    public void Two_retinoids_at_once_withhold_both_courses()
    {
        ImmutableArray<Evaluation> both = Ready().Order("2026-03-15T09:00", "rx2", ingredient: "adapalene", strength: 0.1m).AllAsOf("2026-03-15T10:00");

        Assert.Equal(2, both.Length);
        Assert.All(both, e => e.Decides(Outcome.Withhold, "another-retinoid"));
    }

    [Fact]
    public void A_retinoid_that_names_the_old_order_as_its_prior_prescription_replaces_it()
    {
        ImmutableArray<Evaluation> both = Ready()
            .Order("2026-03-15T09:00", "rx2", ingredient: "adapalene", strength: 0.1m, prior: "rx1").AllAsOf("2026-03-15T10:00");

        Assert.Equal(Outcome.Maintain, both.Single(e => e.Course!.Ingredient == "adapalene").Outcome);
        Evaluation old = both.Single(e => e.Course!.Ingredient == "tretinoin");
        Assert.Null(old.Outcome);
        Assert.Empty(old.Communications);
    }

    [Fact]
    public void A_retinoid_that_is_stopped_before_the_next_begins_is_not_another_one()
    {
        ImmutableArray<Evaluation> both = Ready()
            .Order("2026-03-01T10:00", status: PrescriptionStatus.Ended, recorded: "2026-03-15T08:00")
            .Order("2026-03-16T09:00", "rx2", ingredient: "adapalene", strength: 0.1m).AllAsOf("2026-03-16T10:00");

        Assert.Equal(Outcome.Maintain, both.Single(e => e.Course!.Ingredient == "adapalene").Outcome);
    }

    [Fact]
    public void Another_retinoid_that_is_stopped_ends_its_cause_and_the_skin_still_has_to_show_it()
    {
        Story story = new Story().Order("2026-03-01T10:00", perDays: 1).Other("2026-03-10T09:00", "retinol", ProductRole.OtherRetinoid)
            .Other("2026-03-10T09:00", "retinol", ProductRole.OtherRetinoid, status: PrescriptionStatus.Ended, recorded: "2026-03-12T09:00");
        Assert.Equal(Outcome.Withhold, story.AsOf("2026-03-12T10:00").Outcome);

        Evaluation evaluation = story.CheckIn("2026-03-13T19:00").AsOf("2026-03-13T20:00");

        Assert.Equal(Outcome.Resume, evaluation.Outcome);
        evaluation.Proposes(0.025m, 3.5m, 0.25m);
    }

    [Theory]
    [InlineData(FindingKind.Sunburn)] // all labels (secondary copies)
    [InlineData(FindingKind.EczemaFlare)] // all labels (secondary copies)
    [InlineData(FindingKind.BrokenSkin)] // all labels (secondary copies)
    [InlineData(FindingKind.Waxing)] // labels (secondary copies)
    public void Hurt_skin_withholds_until_anyone_says_it_has_recovered(FindingKind kind)
    {
        Story story = new Story().Order("2026-03-01T10:00", perDays: 1).Finding("2026-03-10T09:00", kind);
        Evaluation evaluation = story.AsOf("2026-03-10T10:00");
        evaluation.Decides(Outcome.Withhold, "hold-finding");
        Assert.Equal(Priority.Routine, evaluation.The(CommunicationKind.SafetyReferral).Priority);
        Assert.Equal(story.Local("2026-03-13T09:00"), evaluation.The(CommunicationKind.SafetyReferral).Due);

        story.CheckIn("2026-03-12T19:00");
        Assert.Equal(Outcome.Withhold, story.AsOf("2026-03-12T20:00").Outcome);

        story.Recovered("2026-03-13T09:00").CheckIn("2026-03-13T19:00");
        story.AsOf("2026-03-13T20:00").Decides(Outcome.Resume, "resume");
    }

    [Fact]
    public void A_planned_procedure_does_nothing_where_the_clinic_set_no_interval() => // no agreed interval: a clinic's own number, unset by default
        Assert.Equal(Outcome.StepUp, Ready().Observe("2026-03-10T09:00", [new Statement.ProcedurePlanned(new DateOnly(2026, 3, 16))])
            .AsOf("2026-03-15T10:00").Outcome);

    [Fact]
    public void A_planned_procedure_withholds_for_the_clinics_interval_and_is_looked_at_when_it_begins_and_ends()
    {
        Story story = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", applied: 3)
            .Observe("2026-03-06T20:00", [new Statement.ProcedurePlanned(new DateOnly(2026, 3, 17))]);

        Evaluation before = story.AsOf("2026-03-09T23:00", WithProcedureDays);
        Assert.Equal(Outcome.Maintain, before.Outcome);
        Assert.Equal(story.Local("2026-03-10"), before.NextLook);

        Evaluation during = story.AsOf("2026-03-10", WithProcedureDays);
        during.Decides(Outcome.Withhold, "planned-procedure");
        Assert.Equal(Priority.Routine, during.The(CommunicationKind.SafetyReferral).Priority);

        story.CheckIn("2026-03-31T19:00");
        Evaluation last = story.AsOf("2026-03-31T20:00", WithProcedureDays);
        Assert.Equal(Outcome.Withhold, last.Outcome);
        Assert.Equal(story.Local("2026-04-01"), last.NextLook);

        story.CheckIn("2026-04-01T19:00");
        Assert.Equal(Outcome.Resume, story.AsOf("2026-04-01T20:00", WithProcedureDays).Outcome);
    }

    [Theory]
    [InlineData("2026-03-02T09:00", "2026-03-15T10:00", Outcome.Maintain)]
    [InlineData("2026-03-02T09:00", "2026-03-16T10:00", Outcome.StepUp)]
    [InlineData("2026-03-01T11:00", "2026-03-15T10:00", Outcome.StepUp)]
    public void A_new_irritating_topical_holds_the_step_up_for_14_days(string began, string at, Outcome outcome)
    {
        // Tretinoin microsphere prescribing information (secondary copy): let irritation subside.
        Evaluation evaluation = Ready().Other(began, "benzoyl peroxide", ProductRole.Interacting).AsOf(at);

        Assert.Equal(outcome, evaluation.Outcome);
        Assert.Equal(Audience.Prescriber, evaluation.The(CommunicationKind.ClinicTask).Audience);
    }

    [Fact]
    public void A_new_irritating_topical_needs_a_mild_check_in_five_or_more_days_after_it()
    {
        Story story = Ready().Other("2026-03-10T09:00", "salicylic acid", ProductRole.Interacting).CheckIn("2026-03-21T19:00", "1.00", applied: 3);
        Assert.Equal(Outcome.AwaitCheckIn, story.AsOf("2026-03-24T10:00").Outcome);

        story.CheckIn("2026-03-24T10:30", "1100", applied: 1);
        Assert.Equal(Outcome.StepUp, story.AsOf("2026-03-24T11:00").Outcome);
    }

    [Fact]
    public void An_irritating_topical_older_than_the_course_is_only_noted()
    {
        Evaluation evaluation = Ready().Other("2026-02-10T09:00", "benzoyl peroxide", ProductRole.Interacting).AsOf("2026-03-15T10:00");

        Assert.Equal(Outcome.StepUp, evaluation.Outcome);
        Assert.False(evaluation.Has(CommunicationKind.ClinicTask));
        Assert.Contains("benzoyl peroxide", evaluation.Reason("interacting-topical").Text, StringComparison.Ordinal);
    }

    [Fact]
    public void An_order_for_another_area_is_a_course_of_its_own_and_an_observation_may_speak_to_one_only()
    {
        Story story = new Story().Order("2026-03-01T10:00").Order("2026-03-01T10:00", "rx2", area: "neck")
            .CheckIn("2026-03-10T19:00", "0300", basedOn: ["rx2"]);

        ImmutableArray<Evaluation> both = story.AllAsOf("2026-03-10T20:00");

        Assert.Equal(Outcome.Withhold, both.Single(e => e.Course!.Area == "neck").Outcome);
        Assert.NotEqual(Outcome.Withhold, both.Single(e => e.Course!.Area == "face").Outcome);
    }

    [Fact]
    public void An_observation_that_names_no_order_speaks_to_every_course()
    {
        Story story = new Story().Order("2026-03-01T10:00").Order("2026-03-01T10:00", "rx2", area: "neck").CheckIn("2026-03-10T19:00", "0300");

        Assert.All(story.AllAsOf("2026-03-10T20:00"), e => Assert.Equal(Outcome.Withhold, e.Outcome));
    }
}
