using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests.Stories;

/// <summary>Rule 8: a higher strength after 3 months, tolerated, and more effect wanted (common practice, no source).</summary>
public sealed class StrengthStories
{
    /// <summary>Nightly 0.5 g of 0.025 % since 1 March, mild check-ins every Sunday; 90 days are over on 30 May.</summary>
    private static Story TopStep(string lastCheckIn = "2026-05-31") =>
        new Story().Order("2026-03-01T10:00", perDays: 1, grams: 0.5m).CheckInsEvery(7, "2026-03-08", lastCheckIn, applied: 7, grades: "1000");

    [Theory]
    [InlineData("2026-05-29T23:59", Outcome.Maintain)]
    [InlineData("2026-05-30T00:00", Outcome.StepUp)]
    public void On_day_89_a_higher_strength_is_not_proposed_and_on_day_90_it_is(string at, Outcome outcome)
    {
        Evaluation evaluation = TopStep().EffectSeen("2026-05-20T12:00", Effect.MoreWanted).AsOf(at);

        Assert.Equal(outcome, evaluation.Outcome);
        if (outcome == Outcome.Maintain)
        {
            evaluation.StaysOnlyFor("strength");
        }
    }

    [Fact]
    public void A_new_strength_restarts_at_alternate_nights_and_the_lower_amount()
    {
        Evaluation evaluation = TopStep().EffectSeen("2026-05-20T12:00", Effect.MoreWanted).AsOf("2026-05-30T12:00");

        evaluation.Proposes(0.05m, 3.5m, 0.25m);
        Assert.Equal(0.4375m, evaluation.Proposed!.WeeklyActiveMilligrams); // 0.875 mg at the step in force (arithmetic)
    }

    [Theory]
    [InlineData("2026-05-02T12:00", Effect.MoreWanted, Outcome.StepUp)]
    [InlineData("2026-05-01T12:00", Effect.MoreWanted, Outcome.Maintain)]
    [InlineData("2026-05-20T12:00", Effect.Enough, Outcome.Maintain)]
    [InlineData("2026-05-20T12:00", Effect.NoneSeen, Outcome.Maintain)] // no improvement at 12 weeks is a review (NICE NG198, secondary copy)
    public void A_wish_for_more_effect_counts_for_28_days_and_nothing_else_counts_as_one(string said, Effect effect, Outcome outcome) =>
        Assert.Equal(outcome, TopStep().EffectSeen(said, effect).AsOf("2026-05-30T12:00").Outcome);

    [Fact]
    public void The_newest_word_on_the_effect_counts() =>
        TopStep().EffectSeen("2026-05-20T12:00", Effect.MoreWanted).EffectSeen("2026-05-21T12:00", Effect.Enough)
            .AsOf("2026-05-30T12:00").StaysOnlyFor("strength");

    [Fact]
    public void A_sign_of_2_in_the_last_28_days_is_not_tolerated() =>
        TopStep().CheckIn("2026-05-13T12:00", "2000").EffectSeen("2026-05-20T12:00", Effect.MoreWanted).AsOf("2026-05-30T12:00").StaysOnlyFor("strength");

    [Fact]
    public void One_complete_check_in_in_the_last_28_days_is_too_little() =>
        Assert.True(TopStep("2026-04-26").CheckIn("2026-05-24T19:00", applied: 28).EffectSeen("2026-05-20T12:00", Effect.MoreWanted)
            .AsOf("2026-05-30T12:00").Gives("strength", Outcome.Maintain));

    [Fact]
    public void Under_70_percent_applied_in_the_last_28_days_is_not_tolerated() =>
        new Story().Order("2026-03-01T10:00", perDays: 1, grams: 0.5m).CheckInsEvery(7, "2026-03-08", "2026-05-03", applied: 7)
            .CheckInsEvery(7, "2026-05-10", "2026-05-24", applied: 4).EffectSeen("2026-05-20T12:00", Effect.MoreWanted)
            .AsOf("2026-05-30T12:00").StaysOnlyFor("strength");

    [Theory]
    [InlineData("2026-06-01T12:00", Outcome.Maintain)]
    [InlineData("2026-06-02T00:00", Outcome.StepUp)]
    public void The_last_28_days_have_to_be_at_the_top_step(string at, Outcome outcome)
    {
        Story story = new Story().Order("2026-03-01T10:00", perDays: 1).Order("2026-03-01T10:00", perDays: 1, grams: 0.5m, recorded: "2026-05-05T10:00")
            .CheckInsEvery(7, "2026-03-08", "2026-05-31", applied: 7).EffectSeen("2026-05-20T12:00", Effect.MoreWanted);

        Assert.Equal(outcome, story.AsOf(at).Outcome);
    }

    [Theory]
    [InlineData("2026-05-23T23:59", false)]
    [InlineData("2026-05-24T00:00", true)]
    public void From_day_84_on_a_strength_a_review_of_effect_is_asked_for(string at, bool asked) => // NICE NG198 (secondary copy): review at 12 weeks
        Assert.Equal(asked, TopStep().AsOf(at).Has(CommunicationKind.EffectReview));

    [Theory]
    [InlineData("2026-05-23T12:00", true)]
    [InlineData("2026-05-24T12:00", false)]
    public void Only_a_word_on_the_effect_from_day_84_on_answers_the_review(string said, bool asked) =>
        Assert.Equal(asked, TopStep().EffectSeen(said, Effect.Enough).AsOf("2026-05-29T12:00").Has(CommunicationKind.EffectReview));

    [Fact]
    public void The_review_of_effect_does_not_block_a_step_up()
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00", perDays: 1).CheckInsEvery(7, "2026-03-08", "2026-05-24", applied: 7).AsOf("2026-05-25");

        Assert.Equal(Outcome.StepUp, evaluation.Outcome);
        Assert.True(evaluation.Has(CommunicationKind.EffectReview));
    }
}
