using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests.Stories;

/// <summary>Proposals and referrals that nobody answers. The times are common practice, no source.</summary>
public sealed class UnansweredStories
{
    /// <summary>Two lasting twos: a step down is proposed from the check-in of 14 March 19:00 on, due on the 17th at 19:00.</summary>
    private static Story StepDownProposed() => Expect.Ready("2000", "2000");

    [Theory]
    [InlineData("2026-03-17T18:59", false, false)]
    [InlineData("2026-03-17T19:00", true, false)] // due
    [InlineData("2026-03-20T18:59", true, false)]
    [InlineData("2026-03-20T19:00", false, true)] // three days later
    public void A_proposal_that_nobody_answers_is_reminded_of_when_due_and_goes_to_the_pool_three_days_later(string at, bool reminded, bool overdue)
    {
        Evaluation evaluation = StepDownProposed().AsOf(at);

        Assert.Equal(Outcome.StepDown, evaluation.Outcome);
        Assert.Equal(overdue, evaluation.The(CommunicationKind.StepChange).Overdue);
        Assert.Equal(reminded, Reminder(evaluation) is not null);
    }

    [Fact]
    public void The_reminder_is_for_the_prescriber_names_what_waits_and_is_no_task_of_its_own()
    {
        Story story = StepDownProposed();
        CommunicationIntent proposal = story.AsOf("2026-03-17T19:00").The(CommunicationKind.StepChange);

        CommunicationIntent reminder = Reminder(story.AsOf("2026-03-17T19:00"))!;

        Assert.Equal(
            (Audience.Prescriber, false, Priority.Routine, story.Local("2026-03-20T19:00"), new CommunicationReference(proposal.Kind, proposal.Cause)),
            (reminder.Audience, reminder.HasTask, reminder.Priority, reminder.Due, reminder.Reminds));
    }

    [Fact]
    public void Both_times_are_looked_for()
    {
        Story story = StepDownProposed();

        Assert.Equal(story.Local("2026-03-17T19:00"), story.AsOf("2026-03-17T00:00").NextLook);
        Assert.Equal(story.Local("2026-03-20T19:00"), story.AsOf("2026-03-20T00:00").NextLook);
    }

    [Theory]
    [InlineData("2026-03-12T08:59", false, false)]
    [InlineData("2026-03-12T09:00", true, false)] // due within a day
    [InlineData("2026-03-12T21:00", false, true)] // twelve hours later
    public void What_is_urgent_has_the_shorter_clock(string at, bool reminded, bool overdue)
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").Finding("2026-03-11T09:00", FindingKind.Blistering).AsOf(at);

        Assert.Equal(overdue, evaluation.The(CommunicationKind.SafetyReferral).Overdue);
        Assert.Equal(reminded, Reminder(evaluation) is { Priority: Priority.Urgent });
    }

    [Theory]
    [InlineData("2026-03-11T11:00", true, false)] // due within two hours
    [InlineData("2026-03-11T12:00", false, true)] // an hour later
    public void And_an_emergency_the_shortest_with_a_course_or_without(string at, bool reminded, bool overdue)
    {
        Evaluation with = new Story().Order("2026-03-01T10:00").Finding("2026-03-11T09:00", FindingKind.Hives).AsOf(at);
        Evaluation without = new Story().Finding("2026-03-11T09:00", FindingKind.Hives).AsOf(at);

        Assert.All([with, without], evaluation =>
        {
            Assert.Equal(overdue, evaluation.The(CommunicationKind.SafetyReferral).Overdue);
            Assert.Equal(reminded, Reminder(evaluation) is { Priority: Priority.Stat });
        });
    }

    [Theory]
    [InlineData(TaskAnswer.Done)]
    [InlineData(TaskAnswer.Declined)]
    public void What_was_answered_is_not_reminded_of(TaskAnswer answer)
    {
        Story story = new Story().Order("2026-03-01T10:00").Finding("2026-03-11T09:00", FindingKind.Blistering)
            .Answer("2026-03-12T08:00", answer, CommunicationKind.SafetyReferral, "2026-03-11T10:00");

        Assert.Null(Reminder(story.AsOf("2026-03-12T10:00")));
        Assert.False(story.AsOf("2026-03-13T10:00").The(CommunicationKind.SafetyReferral).Overdue);
    }

    [Fact]
    public void Who_has_a_routine_task_in_hand_is_left_alone_and_nothing_is_approved_by_it()
    {
        Story story = StepDownProposed().Answer("2026-03-16T09:00", TaskAnswer.InHand, CommunicationKind.StepChange, "2026-03-15T06:00");

        Evaluation due = story.AsOf("2026-03-17T20:00");
        Assert.Null(Reminder(due));
        Assert.Equal(Outcome.StepDown, due.Outcome);
        Assert.False(story.AsOf("2026-03-21T12:00").The(CommunicationKind.StepChange).Overdue);
    }

    [Fact]
    public void What_is_urgent_goes_to_the_pool_even_when_somebody_accepted_it_and_then_did_nothing()
    {
        Story story = new Story().Order("2026-03-01T10:00").Finding("2026-03-11T09:00", FindingKind.Blistering)
            .Answer("2026-03-11T11:00", TaskAnswer.InHand, CommunicationKind.SafetyReferral, "2026-03-11T10:00");

        Assert.Null(Reminder(story.AsOf("2026-03-12T09:00")));
        Assert.True(story.AsOf("2026-03-12T21:00").The(CommunicationKind.SafetyReferral).Overdue);
    }

    [Fact]
    public void A_check_in_request_that_the_clinic_cancelled_is_not_sent_a_second_time_but_the_clinics_own_task_stands()
    {
        Story story = new Story().Order("2026-03-01T10:00");
        story = story.CancelMessage("2026-03-08T12:00", CommunicationKind.CheckInRequest, "2026-03-08T10:00");

        Evaluation later = story.AsOf("2026-03-15T12:00");
        Assert.Equal(Outcome.AwaitCheckIn, later.Outcome);
        Assert.Equal([CommunicationKind.ClinicTask], later.Communications.Select(c => c.Kind));
    }

    [Fact]
    public void A_proposal_whose_message_somebody_cancelled_is_as_good_as_declined()
    {
        Story story = Expect.Ready().CancelMessage("2026-03-15T12:00", CommunicationKind.StepChange, "2026-03-15T06:00");

        Evaluation evaluation = story.AsOf("2026-03-16T06:00");
        evaluation.Decides(Outcome.Maintain, "declined");
        Assert.False(evaluation.Has(CommunicationKind.StepChange));
    }

    [Fact]
    public void A_referral_whose_message_somebody_cancelled_still_waits_for_its_task()
    {
        Story story = new Story().Order("2026-03-01T10:00").Finding("2026-03-11T09:00", FindingKind.Blistering)
            .CancelMessage("2026-03-11T12:00", CommunicationKind.SafetyReferral, "2026-03-11T10:00").Order("2026-03-11T13:00", "rx2", perDays: 3);

        Evaluation evaluation = story.AsOf("2026-03-12T22:00");
        Assert.Equal(Outcome.Discontinue, evaluation.Outcome);
        Assert.True(evaluation.The(CommunicationKind.SafetyReferral).Overdue);
    }

    private static CommunicationIntent? Reminder(Evaluation evaluation) => evaluation.Communications.SingleOrDefault(c => c.Reminds is not null);
}
