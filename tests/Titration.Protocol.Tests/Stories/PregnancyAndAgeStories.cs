using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;
using static Titration.Protocol.Tests.Stories.Expect;

namespace Titration.Protocol.Tests.Stories;

/// <summary>Rule 1: pregnancy by jurisdiction, breastfeeding, age, death.</summary>
public sealed class PregnancyAndAgeStories
{
    private static readonly ProtocolDefinition Us = Story.Standard with { Jurisdiction = "us" };

    private static readonly ProtocolDefinition UkEu = Story.Standard with { Jurisdiction = "uk-eu" };

    [Theory]
    [InlineData(FindingKind.Pregnancy)]
    [InlineData(FindingKind.PlanningPregnancy)]
    public void Pregnant_or_planning_stops_every_retinoid_by_default_without_being_an_emergency(FindingKind kind)
    {
        // EMA referral on retinoids, 22 March 2018 (primary); the strictest row is the default.
        Evaluation evaluation = Ready().Finding("2026-03-15T09:00", kind).AsOf("2026-03-15T10:00");

        evaluation.Decides(Outcome.Discontinue, "stop-finding");
        Assert.Equal(Priority.Urgent, evaluation.The(CommunicationKind.SafetyReferral).Priority);
        Assert.Equal("stop-and-wait", evaluation.The(CommunicationKind.CareAdvice).Template);
    }

    [Fact]
    public void In_the_UK_and_the_EU_pregnancy_stops_tretinoin() => // EMA referral, 22 March 2018 (primary)
        Ready().Finding("2026-03-15T09:00", FindingKind.Pregnancy).AsOf("2026-03-15T10:00", UkEu).Decides(Outcome.Discontinue, "stop-finding");

    [Fact]
    public void In_the_US_pregnancy_on_tretinoin_is_an_urgent_review()
    {
        // US labels but tazarotene's list no contraindication (primary and secondary).
        Evaluation evaluation = Ready().Finding("2026-03-15T09:00", FindingKind.Pregnancy).AsOf("2026-03-15T10:00", Us);

        evaluation.Decides(Outcome.RequestReview, "pregnancy-review");
        Assert.Equal(Priority.Urgent, evaluation.The(CommunicationKind.Review).Priority);
        Assert.False(evaluation.Has(CommunicationKind.SafetyReferral));
    }

    [Fact]
    public void In_the_US_pregnancy_stops_tazarotene() => // tazarotene prescribing information (primary)
        new Story().Order("2026-03-01T10:00", ingredient: "tazarotene", strength: 0.045m)
            .Finding("2026-03-02T09:00", FindingKind.Pregnancy).AsOf("2026-03-02T10:00", Us).Decides(Outcome.Discontinue, "stop-finding");

    [Fact]
    public void An_unknown_jurisdiction_is_taken_as_the_strictest() =>
        Ready().Finding("2026-03-15T09:00", FindingKind.Pregnancy)
            .AsOf("2026-03-15T10:00", Story.Standard with { Jurisdiction = "elsewhere" }).Decides(Outcome.Discontinue, "stop-finding");

    [Fact]
    public void Only_a_clinicians_own_word_on_pregnancy_ends_it()
    {
        Story story = Ready().Finding("2026-03-15T09:00", FindingKind.Pregnancy)
            .Finding("2026-03-16T09:00", FindingKind.Pregnancy, present: false)
            .Recovered("2026-03-16T10:00", byClinician: true);
        Assert.Equal(Outcome.Discontinue, story.AsOf("2026-03-16T11:00").Outcome);

        story.Finding("2026-03-17T09:00", FindingKind.Pregnancy, present: false, byClinician: true);
        Assert.Equal(Outcome.Withhold, story.AsOf("2026-03-17T10:00").Outcome);
    }

    [Fact]
    public void A_pregnancy_said_before_the_course_began_stops_it_all_the_same() =>
        new Story().Finding("2026-02-01T09:00", FindingKind.Pregnancy).Order("2026-03-01T10:00")
            .AsOf("2026-03-01T11:00").Decides(Outcome.Discontinue, "stop-finding");

    [Fact]
    public void Breastfeeding_goes_to_a_routine_review_until_somebody_says_it_has_ended()
    {
        // SmPCs differ by product (secondary and primary): the clinician decides.
        Story story = Ready().Finding("2026-03-15T09:00", FindingKind.Breastfeeding);
        Evaluation evaluation = story.AsOf("2026-03-15T10:00");
        evaluation.Decides(Outcome.RequestReview, "review-finding");
        Assert.Equal(Priority.Routine, evaluation.The(CommunicationKind.Review).Priority);
        Assert.Equal(story.Local("2026-03-22T09:00"), evaluation.The(CommunicationKind.Review).Due);
        Assert.False(evaluation.Has(CommunicationKind.StepChange));

        story.Finding("2026-03-16T09:00", FindingKind.Breastfeeding, present: false);
        Assert.Equal(Outcome.StepUp, story.AsOf("2026-03-16T10:00").Outcome);
    }

    [Theory]
    [InlineData("2014-03-16", Outcome.RequestReview)]
    [InlineData("2014-03-15", Outcome.StepUp)]
    public void Under_12_tretinoin_goes_to_review_until_the_birthday(string born, Outcome outcome)
    {
        // Most tretinoin labels: from 12 years (primary and secondary).
        Evaluation evaluation = new Story(born: DateOnly.Parse(born)).Order("2026-03-01T10:00")
            .CheckIn("2026-03-06T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4).AsOf("2026-03-15T10:00");

        Assert.Equal(outcome, evaluation.Outcome);
        Assert.Equal(outcome == Outcome.RequestReview, evaluation.Gives("age-under-minimum", Outcome.RequestReview));
    }

    [Fact]
    public void The_birthday_itself_is_looked_at_again()
    {
        Story story = new Story(born: new DateOnly(2014, 3, 3)).Order("2026-03-01T10:00");

        Assert.Equal(story.Local("2026-03-03"), story.AsOf("2026-03-01T11:00").NextLook);
    }

    [Fact]
    public void An_unknown_age_asks_only_where_a_step_up_would_be_proposed()
    {
        Story story = new Story(ageKnown: false).Order("2026-03-01T10:00")
            .CheckIn("2026-03-06T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4);

        story.AsOf("2026-03-14T20:00").StaysOnlyFor("time-on-step");
        Evaluation ready = story.AsOf("2026-03-15");
        ready.Decides(Outcome.RequestReview, "age-unknown");
        Assert.False(ready.Has(CommunicationKind.StepChange));
    }

    [Fact]
    public void After_a_death_nothing_is_said_not_even_of_an_emergency()
    {
        Story story = Ready().Finding("2026-03-15T09:00", FindingKind.Hives).With(new PatientFact
        {
            Source = new ResourceVersion("Patient", "p1", "2", new DateTimeOffset(2026, 3, 15, 9, 30, 0, TimeSpan.Zero), "deceased"),
            Patient = "p1",
            BirthDate = new DateOnly(1994, 7, 2),
            Deceased = true,
        });

        Evaluation evaluation = story.AsOf("2026-03-15T10:00");

        Assert.Null(evaluation.Outcome);
        Assert.Empty(evaluation.Communications);
    }

    [Fact]
    public void A_merged_record_is_reviewed() =>
        Ready().With(new PatientFact
        {
            Source = new ResourceVersion("Patient", "p1", "2", new DateTimeOffset(2026, 3, 15, 9, 30, 0, TimeSpan.Zero), "merged"),
            Patient = "p1",
            BirthDate = new DateOnly(1994, 7, 2),
            ReplacedBy = "p2",
        }).AsOf("2026-03-15T10:00").Decides(Outcome.RequestReview, "merged-patient");

    [Fact]
    public void A_product_whose_label_begins_earlier_is_taken_at_its_own_minimum_age()
    {
        // Tretinoin lotion from 9 years, most tretinoin from 12 (label, secondary copy).
        Story story = new(born: new DateOnly(2016, 1, 1));
        story.Order("2026-03-01T10:00").CheckIn("2026-03-07T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4);
        Assert.Equal(Outcome.RequestReview, story.AsOf("2026-03-15").Outcome);

        Story lotion = new(born: new DateOnly(2016, 1, 1));
        PrescriptionFact order = new Story().Order("2026-03-01T10:00").Facts.OfType<PrescriptionFact>().Single();
        lotion.With(order with { Product = order.Product with { MinimumAgeYears = 9 } }).CheckIn("2026-03-07T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4);

        Assert.Equal(Outcome.StepUp, lotion.AsOf("2026-03-15").Outcome);
    }
}
