using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests.Stories;

/// <summary>
/// Rule 11: how long the tube lasts. A tube of 7.5 g at 0.25 g a night lasts 30 nights: from 1 March to 30 March, and the first night without
/// it is 31 March. Where nothing is reported the plan counts.
/// </summary>
public sealed class SupplyStories
{
    private static Story Nightly(decimal? tube = 7.5m, int fills = 1) => new Story().Order("2026-03-01T10:00", perDays: 1, tube: tube, fills: fills);

    [Theory]
    [InlineData("2026-03-20T23:59", false)] // 11 days before
    [InlineData("2026-03-21T00:00", true)] // 10 days before
    [InlineData("2026-04-12T12:00", true)]
    public void The_patient_is_reminded_from_ten_days_before_the_first_fill_can_be_used_up(string at, bool reminded)
    {
        Evaluation evaluation = Nightly(fills: 3).AsOf(at);

        Assert.Equal(reminded, evaluation.Has(CommunicationKind.RepeatReminder));
        if (reminded)
        {
            CommunicationIntent reminder = evaluation.The(CommunicationKind.RepeatReminder);
            Assert.Equal((Audience.Patient, false, false, "repeat-reminder", "2026-03-31"),
                (reminder.Audience, reminder.NeedsApproval, reminder.HasTask, reminder.Template, reminder.Values["due"]));
            Assert.Equal("rx1", Assert.Single(reminder.Evidence).Id);
        }
    }

    [Fact]
    public void The_reminder_is_looked_for_on_its_day()
    {
        Story story = Nightly().CheckIn("2026-03-20T19:00", applied: 19);

        Assert.Equal(story.Local("2026-03-21"), story.AsOf("2026-03-20T20:00").NextLook);
    }

    [Fact]
    public void The_reminder_stands_until_a_later_order_is_in_force()
    {
        Story story = Nightly().Order("2026-03-25T10:00", "rx2", perDays: 1, tube: 7.5m);

        Assert.True(story.AsOf("2026-03-25T09:59").Has(CommunicationKind.RepeatReminder));
        Assert.False(story.AsOf("2026-03-25T10:00").Has(CommunicationKind.RepeatReminder));
        Assert.False(story.AsOf("2026-04-19T12:00").Has(CommunicationKind.RepeatReminder));
        Assert.Equal("2026-04-30", story.AsOf("2026-04-20T12:00").The(CommunicationKind.RepeatReminder).Values["due"]);
    }

    [Fact]
    public void A_tube_that_came_after_the_last_was_used_up_starts_full() =>
        Assert.Equal("2026-05-10", Nightly().Order("2026-04-10T10:00", "rx2", perDays: 1, tube: 7.5m).AsOf("2026-05-01T12:00")
            .The(CommunicationKind.RepeatReminder).Values["due"]);

    [Fact]
    public void Nights_reported_left_out_make_the_tube_last_longer_and_send_no_second_reminder()
    {
        Story story = Nightly();
        string cause = story.AsOf("2026-03-22T12:00").The(CommunicationKind.RepeatReminder).Cause;

        CommunicationIntent later = story.CheckIn("2026-03-22T19:00", applied: 20).AsOf("2026-03-22T20:00").The(CommunicationKind.RepeatReminder);

        Assert.Equal((cause, "2026-04-01"), (later.Cause, later.Values["due"]));
    }

    [Fact]
    public void The_record_says_that_what_was_dispensed_is_assumed_from_the_orders()
    {
        RuleResult reason = Nightly(fills: 3).AsOf("2026-03-11T12:00").Reason("supply");

        Assert.Equal(
            "2.5 g applied by 2026-03-11, unreported nights as planned; of 7.5 g dispensed with the first fill of each order, used up on 2026-03-31, "
            + "and 22.5 g with every repeat, used up on 2026-05-30 (assumed from the orders); by first fills 10 of 10 days covered (PDC 100 %)",
            reason.Text);
        Assert.Equal("rx1", Assert.Single(reason.Evidence).Id);
    }

    [Fact]
    public void The_record_says_which_share_of_the_days_the_first_fills_cover()
    {
        // 30 days from 1 March, none from 31 March to 9 April, 5 from 10 April.
        RuleResult reason = Nightly().Order("2026-04-10T10:00", "rx2", perDays: 1, tube: 7.5m).AsOf("2026-04-15T12:00").Reason("supply");

        Assert.EndsWith("by first fills 35 of 45 days covered (PDC 77.8 %)", reason.Text, StringComparison.Ordinal);
    }

    [Fact]
    public void A_supply_in_order_holds_no_step_up_back()
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00", tube: 30m).CheckIn("2026-03-06T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4)
            .AsOf("2026-03-15T00:00");

        Assert.Equal(Outcome.StepUp, evaluation.Outcome);
        Assert.True(evaluation.Gives("supply", Outcome.StepUp));
        Assert.Equal("order", evaluation.Reasons[0].Rule);
    }

    [Theory]
    [InlineData(null)]
    [InlineData("rx2")]
    public void Orders_that_do_not_say_how_much_they_give_have_no_voice_of_supply(string? second)
    {
        Story story = second is null ? Nightly(tube: null) : Nightly().Order("2026-03-10T10:00", second, perDays: 1);
        Evaluation evaluation = story.AsOf("2026-06-01T12:00");

        Assert.False(evaluation.Has(CommunicationKind.RepeatReminder));
        Assert.All(evaluation.Reasons, r => Assert.False(r.Rule is "supply" or "gap"));
    }

    [Theory]
    [InlineData("2026-04-14T23:59", false)] // 14 nights
    [InlineData("2026-04-15T00:00", true)] // 15 nights
    public void Fourteen_nights_since_the_last_repeat_was_used_up_are_no_gap_and_fifteen_step_down(string at, bool gap)
    {
        Evaluation evaluation = Nightly(tube: 2.5m, fills: 3).AsOf(at);

        Assert.Equal(gap, evaluation.Outcome == Outcome.StepDown);
        if (gap)
        {
            evaluation.Decides(Outcome.StepDown, "gap");
            evaluation.Proposes(0.025m, 3.5m, 0.25m);
            Assert.StartsWith(
                "15 nights without an application since 2026-03-31: the supply used up with all repeats on 2026-03-31 (assumed from the orders)",
                evaluation.Reasons[0].Text, StringComparison.Ordinal);
        }
    }

    [Theory]
    [InlineData("2026-05-12T23:59", "0.05", 7, "0.25")] // 42 nights
    [InlineData("2026-05-13T00:00", "0.025", "3.5", "0.25")] // 43 nights
    public void Forty_two_nights_since_the_supply_was_used_up_step_down_once_and_forty_three_go_back_to_the_first_step(
        string at, decimal strength, decimal nights, decimal grams)
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00", perDays: 1, grams: 0.5m, strength: 0.05m, tube: 15m).AsOf(at);

        evaluation.Decides(Outcome.StepDown, "gap");
        evaluation.Proposes(strength, nights, grams);
    }

    [Fact]
    public void First_fills_alone_make_no_gap() =>
        Assert.NotEqual(Outcome.StepDown, Nightly(fills: 3).AsOf("2026-04-20T12:00").Outcome);

    [Fact]
    public void Supply_never_outranks_a_reported_night()
    {
        Story story = Nightly();
        Assert.Equal(Outcome.StepDown, story.AsOf("2026-04-20T12:00").Outcome);

        // The night of 31 March was applied, whatever the tube held.
        Evaluation evaluation = story.CheckIn("2026-04-01T19:00", applied: 31).AsOf("2026-05-20T12:00");

        Assert.DoesNotContain(evaluation.Reasons, r => r.Rule == "gap");
    }

    [Fact]
    public void A_report_of_the_nights_before_the_supply_was_used_up_says_nothing_of_those_after() =>
        Assert.Equal(Outcome.StepDown, Nightly().CheckIn("2026-03-31T19:00", applied: 30).AsOf("2026-04-15T12:00").Outcome);

    [Theory]
    [InlineData(false)]
    [InlineData(true)]
    public void A_flare_that_the_order_in_force_answered_makes_no_gap_by_supply_shorter(bool flare)
    {
        Story story = Nightly(tube: 2.5m, fills: 3).Order("2026-03-01T10:00", perDays: 1, grams: 0.5m, tube: 2.5m, fills: 3, recorded: "2026-03-10T09:00");

        // 9 nights of 0.25 g and 10 of 0.5 g: used up on 20 March. The nights that the flare withheld may have been applied all the same.
        (flare ? story.Finding("2026-03-05T09:00", FindingKind.EczemaFlare) : story).AsOf("2026-04-04T12:00").Decides(Outcome.StepDown, "gap");
    }

    [Fact]
    public void On_the_first_step_a_gap_by_supply_is_noted() =>
        Assert.True(new Story().Order("2026-03-01T10:00", tube: 2.5m).AsOf("2026-05-20T12:00").Gives("gap", Outcome.Maintain));

    [Theory]
    [InlineData(FindingKind.Hives)]
    [InlineData(FindingKind.EczemaFlare)]
    public void Nobody_is_reminded_of_the_next_tube_of_what_is_to_be_left_out(FindingKind finding) =>
        Assert.False(Nightly().Finding("2026-03-22T09:00", finding).AsOf("2026-03-22T10:00").Has(CommunicationKind.RepeatReminder));

    [Fact]
    public void Nights_on_hold_use_nothing_up() =>
        Assert.Equal("2026-04-05", Nightly()
            .Order("2026-03-01T10:00", perDays: 1, tube: 7.5m, status: PrescriptionStatus.OnHold, recorded: "2026-03-10T09:00")
            .Order("2026-03-01T10:00", perDays: 1, tube: 7.5m, recorded: "2026-03-15T09:00")
            .AsOf("2026-03-28T12:00").The(CommunicationKind.RepeatReminder).Values["due"]);

    [Fact]
    public void Applications_left_out_count_as_reported_nights() =>
        Assert.Equal("2026-04-03", Nightly().CheckIn("2026-03-22T19:00", missed: 3).AsOf("2026-03-25T12:00").The(CommunicationKind.RepeatReminder).Values["due"]);

    [Fact]
    public void What_was_applied_on_nights_on_hold_was_used_too() =>
        Assert.Equal("2026-04-02", Nightly()
            .Order("2026-03-01T10:00", perDays: 1, tube: 7.5m, status: PrescriptionStatus.OnHold, recorded: "2026-03-10T09:00")
            .Order("2026-03-01T10:00", perDays: 1, tube: 7.5m, recorded: "2026-03-15T09:00")
            .CheckIn("2026-03-15T19:00", applied: 12) // of 14 nights, 5 of them on hold
            .AsOf("2026-03-28T12:00").The(CommunicationKind.RepeatReminder).Values["due"]);

    [Fact]
    public void A_report_over_two_steps_is_taken_evenly_over_its_nights()
    {
        // 10 nights of 0.25 g, 10 of 0.5 g, all applied: 7.5 g by 20 March, and at 0.5 g the last 2.5 g last 5 nights more.
        Evaluation evaluation = Nightly().Order("2026-03-11T10:00", "rx2", perDays: 1, grams: 0.5m, tube: 2.5m).CheckIn("2026-03-21T19:00", applied: 20)
            .AsOf("2026-03-21T20:00");

        Assert.StartsWith("7.5 g applied by 2026-03-21", evaluation.Reason("supply").Text, StringComparison.Ordinal);
        Assert.Equal("2026-03-26", evaluation.The(CommunicationKind.RepeatReminder).Values["due"]);
    }

    [Fact]
    public void An_order_cancelled_before_any_use_gave_nothing() =>
        Assert.Equal("2026-03-31", Nightly().Order("2026-03-20T10:00", "rx2", perDays: 1, tube: 30m)
            .Order("2026-03-20T10:00", "rx2", perDays: 1, tube: 30m, status: PrescriptionStatus.NeverInForce, recorded: "2026-03-21T09:00")
            .AsOf("2026-03-22T12:00").The(CommunicationKind.RepeatReminder).Values["due"]);

    [Fact]
    public void The_plan_of_a_later_step_counts_from_its_first_night()
    {
        // 10 nights of 0.25 g, then 10 of 0.5 g.
        Story story = Nightly().Order("2026-03-11T10:00", "rx2", perDays: 1, grams: 0.5m, tube: 1m);

        Assert.Equal("2026-03-23", story.AsOf("2026-03-14T12:00").The(CommunicationKind.RepeatReminder).Values["due"]);
    }

    [Theory]
    [InlineData(6, 2, false)] // 2 of 6 planned: not yet a week
    [InlineData(7, 4, true)] // 4 of 7 planned, 57 %
    [InlineData(7, 5, false)] // 5 of 7 planned, 71 %
    public void Use_under_seven_tenths_of_the_plan_is_noted_once_a_week_was_reported_and_nobody_is_told(int nights, int applied, bool noted)
    {
        Evaluation evaluation = Nightly().CheckIn($"2026-03-{1 + nights:00}T19:00", applied: applied).AsOf($"2026-03-{1 + nights:00}T20:00");

        Assert.Equal(noted, evaluation.Gives("under-use", Outcome.Maintain));
        Assert.Equal(Outcome.Maintain, evaluation.Outcome);
        Assert.Empty(evaluation.Communications);
    }

    [Fact]
    public void Where_the_clinic_counts_unreported_nights_too_little_reported_use_still_holds_a_step_up_back()
    {
        ProtocolDefinition assuming = Story.Standard with { StepUp = Story.Standard.StepUp with { CountUnreportedNights = true } };
        Evaluation evaluation = Nightly(tube: 30m).CheckIn("2026-03-08T19:00", applied: 4).CheckIn("2026-03-20T19:00").AsOf("2026-03-21T12:00", assuming);

        evaluation.Decides(Outcome.Maintain, "under-use");
        Assert.False(evaluation.Has(CommunicationKind.StepChange));
    }

    [Theory]
    [InlineData(FindingKind.EczemaFlare)]
    [InlineData(FindingKind.Blistering)]
    public void Nights_left_out_until_a_new_order_answered_use_nothing_up_afterwards_either(FindingKind finding)
    {
        // 10 of 30 nights used; none from 11 to 20 March; from 21 March the other 20 at half the frequency last 40.
        Story story = Nightly().Finding("2026-03-11T09:00", finding);
        story = finding == FindingKind.Blistering
            ? story.Answer("2026-03-12T09:00", TaskAnswer.Done, CommunicationKind.SafetyReferral, "2026-03-11T10:00")
            : story.Recovered("2026-03-18T09:00");
        story = story.Order("2026-03-21T10:00", "rx2", tube: 1m).CheckIn("2026-03-21T11:00");

        Assert.Equal("2026-05-08", story.AsOf("2026-04-29T12:00").The(CommunicationKind.RepeatReminder).Values["due"]);
    }

    [Fact]
    public void Where_too_little_use_holds_a_step_up_back_no_check_in_is_asked_for_before_its_day()
    {
        ProtocolDefinition assuming = Story.Standard with { StepUp = Story.Standard.StepUp with { CountUnreportedNights = true } };
        Story story = Nightly(tube: 30m).CheckIn("2026-03-08T19:00", applied: 4).CheckIn("2026-03-12T19:00");

        Assert.False(story.AsOf("2026-03-18T12:00", assuming).Has(CommunicationKind.CheckInRequest));
        Assert.True(story.AsOf("2026-03-19T12:00", assuming).Has(CommunicationKind.CheckInRequest));
    }
}
