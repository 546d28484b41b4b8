using System.Collections.Immutable;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Doses;
using Titration.Protocol.Facts;
using Titration.Protocol.Tests.Stories;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests.Doses;

/// <summary>The earliest dates by the standard protocol: 14 days a step (cautious 21), 90 days a strength with 28 at its top (common practice).</summary>
public sealed class LadderProjectionTests
{
    private static readonly DateOnly Day0 = new(2026, 3, 1);

    private static ImmutableArray<ProjectedStep> From(
        Step step, DateOnly? since = null, DateOnly? strengthSince = null, string ingredient = "tretinoin", bool cautious = false, DateOnly? today = null, int withheld = 0) =>
        LadderProjection.Of(
            new LadderPosition(new StepInForce(step, since ?? Day0), strengthSince ?? since ?? Day0, withheld, withheld),
            Story.Standard.ProductOf(ingredient)!, Story.Standard, cautious, today ?? Day0);

    private static Step Alternate(decimal strength = 0.025m) => new(strength, new Frequency(1, 2), 0.25m, Barrier: false);

    private static Step Nightly(decimal grams, decimal strength = 0.025m) => new(strength, new Frequency(1, 1), grams, Barrier: false);

    [Fact]
    public void From_the_first_step_each_comes_14_days_after_the_one_before_and_a_strength_90_days_after_its_own_start() => Assert.Equal(
        [
            new(Nightly(0.25m), Day0.AddDays(14)),
            new(Nightly(0.5m), Day0.AddDays(28)),
            new(Alternate(0.05m), Day0.AddDays(90)),
            new(Nightly(0.25m, 0.05m), Day0.AddDays(104)),
            new(Nightly(0.5m, 0.05m), Day0.AddDays(118)),
            new(Alternate(0.1m), Day0.AddDays(180)),
            new(Nightly(0.25m, 0.1m), Day0.AddDays(194)),
            new(Nightly(0.5m, 0.1m), Day0.AddDays(208)),
        ],
        From(Alternate()));

    [Fact]
    public void A_new_strength_waits_for_28_days_at_the_top_step_too() =>
        Assert.Equal(new ProjectedStep(Alternate(0.05m), Day0.AddDays(28)), From(Nightly(0.5m), strengthSince: Day0.AddDays(-80))[0]);

    [Fact]
    public void Nothing_is_projected_into_the_past() =>
        Assert.Equal(new ProjectedStep(Nightly(0.25m), Day0.AddDays(40)), From(Alternate(), today: Day0.AddDays(40))[0]);

    [Fact]
    public void Withheld_nights_move_every_date()
    {
        ImmutableArray<ProjectedStep> steps = From(Alternate(), withheld: 3);

        Assert.Equal((Day0.AddDays(17), Day0.AddDays(31), Day0.AddDays(93)), (steps[0].Earliest, steps[1].Earliest, steps[2].Earliest));
    }

    [Fact]
    public void The_cautious_ladder_holds_21_days_and_begins_at_every_third_night()
    {
        ImmutableArray<ProjectedStep> steps = From(new Step(0.025m, new Frequency(1, 3), 0.25m, Barrier: true), cautious: true);

        Assert.Equal(new ProjectedStep(Alternate() with { Barrier = true }, Day0.AddDays(21)), steps[0]);
        Assert.All(steps, s => Assert.True(s.Step.Barrier));
    }

    [Fact]
    public void The_top_step_of_the_highest_strength_has_nothing_above_it() => Assert.Empty(From(Nightly(0.5m, 0.1m)));

    [Fact]
    public void A_product_of_one_strength_ends_with_its_top_step() =>
        Assert.Equal([Nightly(0.25m, 0.005m), Nightly(0.5m, 0.005m)], From(Alternate(0.005m), ingredient: "trifarotene").Select(s => s.Step));

    [Fact]
    public void No_projected_step_raises_two_things_or_more_than_doubles_the_weekly_dose()
    {
        foreach (TitratedProduct product in Story.Standard.Products)
        {
            Step step = Alternate(product.StrengthsPercent[0]);
            foreach (ProjectedStep next in From(step, ingredient: product.Ingredient))
            {
                Assert.True(next.Step.WeeklyActiveMilligrams <= 2m * step.WeeklyActiveMilligrams);
                step = next.Step;
            }
        }
    }

    [Fact]
    public void The_first_projected_date_is_the_one_on_which_the_rules_propose_it()
    {
        Evaluation evaluation = Expect.Ready().AsOf("2026-03-15T00:00");

        ProjectedStep next = From(evaluation.Step!.Step, evaluation.Step.Since)[0];
        Assert.Equal((Outcome.StepUp, evaluation.Proposed, new DateOnly(2026, 3, 15)), (evaluation.Outcome!.Value, next.Step, next.Earliest));
    }
}
