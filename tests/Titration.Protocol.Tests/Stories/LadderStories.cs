using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;
using static Titration.Protocol.Tests.Stories.Expect;

namespace Titration.Protocol.Tests.Stories;

/// <summary>
/// Rules 7 and 10: frequency, then amount, then strength, one at a time, at most double the weekly active dose; the cautious ladder. The
/// order and the amounts are common practice, no source; no label gives a ladder.
/// </summary>
public sealed class LadderStories
{
    /// <summary>Nothing but the order decides: 27 nights reported as planned, the newest check-in of today.</summary>
    private static Evaluation Tolerated(decimal nights, decimal perDays, decimal grams, decimal strength = 0.025m)
    {
        int week = (int)decimal.Floor(7 * nights / perDays);
        return new Story().Order("2026-03-01T10:00", nights: nights, perDays: perDays, grams: grams, strength: strength)
            .CheckInsEvery(7, "2026-03-08", "2026-03-29", applied: week).AsOf("2026-03-29T20:00");
    }

    [Theory]
    [InlineData(1, 2, "0.25", 7, "0.25")] // exactly double: 0.21875 to 0.4375 mg active a week (arithmetic)
    [InlineData(1, 1, "0.25", 7, "0.5")] // exactly double: 0.4375 to 0.875 mg active a week (arithmetic)
    [InlineData(2, 4, "0.25", 7, "0.25")] // twice in four days is alternate nights
    [InlineData(2, 7, "0.25", "3.5", "0.25")] // below the lowest step: the lowest is the next
    [InlineData(1, 2, "0.5", 7, "0.25")] // no step of the ladder: the nearest below it is alternate nights, so nightly is the next
    [InlineData(1, 1, "0.4", 7, "0.5")]
    public void The_next_step_is_the_ladders_next_above_the_prescription(decimal nights, decimal perDays, decimal grams, decimal toNights, decimal toGrams)
    {
        Evaluation evaluation = Tolerated(nights, perDays, grams);

        Assert.Equal(Outcome.StepUp, evaluation.Outcome);
        evaluation.Proposes(0.025m, toNights, toGrams);
        CommunicationIntent change = evaluation.The(CommunicationKind.StepChange);
        Assert.Equal((Priority.Routine, true), (change.Priority, change.NeedsApproval));
    }

    [Theory]
    [InlineData(1, 7, "0.25")] // once a week to alternate nights is three and a half times
    [InlineData(1, 4, "0.1")] // 0.1 g every fourth night to 0.25 g on alternate nights is five times, and two things at once
    public void More_than_double_the_weekly_active_dose_is_never_proposed(decimal nights, decimal perDays, decimal grams)
    {
        Evaluation evaluation = Tolerated(nights, perDays, grams);

        Assert.NotEqual(Outcome.StepUp, evaluation.Outcome);
        Assert.True(evaluation.Gives("order", Outcome.Maintain));
        Assert.Null(evaluation.Proposed);
    }

    [Fact]
    public void A_step_up_is_a_routine_proposal_due_7_days_after_it_became_possible()
    {
        Story story = Ready();

        Assert.Equal(story.Local("2026-03-22"), story.AsOf("2026-03-17T12:00").The(CommunicationKind.StepChange).Due);
    }

    [Theory]
    [InlineData("0.05", 1, 2, "0.25", "0.025", "3.5", "0.25")] // never to 0.025 % nightly 0.5 g, which is twice the weekly dose
    [InlineData("0.05", 1, 1, "0.25", "0.05", "3.5", "0.25")]
    [InlineData("0.05", 1, 1, "0.5", "0.05", 7, "0.25")]
    [InlineData("0.1", 1, 2, "0.25", "0.05", "3.5", "0.25")]
    [InlineData("0.025", 1, 1, "0.4", "0.025", 7, "0.25")] // no step of the ladder: the nearest at or below it within its strength
    [InlineData("0.025", 1, 2, "0.5", "0.025", "3.5", "0.25")]
    [InlineData("0.04", 1, 7, "0.25", "0.025", 1, "0.25")] // below the lowest: the same nights and amount at the next lower strength
    public void A_step_down_lowers_one_thing_and_raises_none(
        decimal strength, decimal nights, decimal perDays, decimal grams, decimal toStrength, decimal toNights, decimal toGrams)
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00", nights: nights, perDays: perDays, grams: grams, strength: strength)
            .CheckIn("2026-03-08T19:00", "2000").CheckIn("2026-03-15T19:00", "2000").AsOf("2026-03-15T20:00");

        Assert.Equal(Outcome.StepDown, evaluation.Outcome);
        evaluation.Proposes(toStrength, toNights, toGrams);
    }

    [Fact]
    public void A_start_above_the_first_step_is_respected_and_noted()
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00", perDays: 1, grams: 0.5m).AsOf("2026-03-02T10:00");

        Assert.Equal(Outcome.Maintain, evaluation.Outcome);
        Assert.Equal(7m, evaluation.Step!.Step.Frequency.NightsPerWeek);
        Assert.Contains("above the protocol's first step", evaluation.Reason("order").Text, StringComparison.Ordinal);
    }

    [Fact]
    public void At_the_top_step_of_the_highest_strength_there_is_nothing_to_propose()
    {
        Evaluation evaluation = Tolerated(1, 1, 0.5m, strength: 0.1m);

        Assert.Equal(Outcome.Maintain, evaluation.Outcome);
        Assert.True(evaluation.Gives("order", Outcome.Maintain));
    }

    [Theory]
    [InlineData("2026-03-21T20:00", Outcome.Maintain)]
    [InlineData("2026-03-22", Outcome.StepUp)]
    public void A_cautious_starter_holds_21_days_on_every_third_night(string at, Outcome outcome)
    {
        Story story = new Story().Finding("2026-02-28T10:00", FindingKind.Caution).Order("2026-03-01T10:00", perDays: 3)
            .CheckIn("2026-03-08T19:00", applied: 2).CheckIn("2026-03-15T19:00", applied: 2).CheckIn("2026-03-21T19:00", applied: 2);

        Evaluation evaluation = story.AsOf(at);

        Assert.Equal(outcome, evaluation.Outcome);
        Assert.True(evaluation.Step!.Step.Barrier);
        if (outcome == Outcome.StepUp)
        {
            evaluation.Proposes(0.025m, 3.5m, 0.25m);
            Assert.True(evaluation.Proposed!.Barrier);
        }
    }

    [Fact]
    public void Caution_said_on_the_way_holds_the_present_step_for_21_days_and_its_end_takes_it_back()
    {
        Story story = Ready().Finding("2026-03-14T12:00", FindingKind.Caution);
        story.AsOf("2026-03-15").StaysOnlyFor("time-on-step");

        story.Finding("2026-03-16T12:00", FindingKind.Caution, present: false);
        Assert.Equal(Outcome.StepUp, story.AsOf("2026-03-16T13:00").Outcome);
    }

    [Fact]
    public void On_the_cautious_ladder_alternate_nights_step_down_to_every_third_night()
    {
        Evaluation evaluation = new Story().Finding("2026-02-28T10:00", FindingKind.Caution).Order("2026-03-01T10:00")
            .CheckIn("2026-03-08T19:00", "2000").CheckIn("2026-03-15T19:00", "2000").AsOf("2026-03-15T20:00");

        evaluation.Decides(Outcome.StepDown, "lasting-moderate-irritation");
        Assert.Equal(new Frequency(1, 3), evaluation.Proposed!.Frequency);
    }
}
