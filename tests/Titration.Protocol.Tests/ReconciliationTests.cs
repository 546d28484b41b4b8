using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Protocol.Tests.Stories;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests;

/// <summary>What stands, what should stand, and why something goes.</summary>
public sealed class ReconciliationTests
{
    private static readonly Guid First = Reconciliation.DecisionId("p1", 1);
    private static readonly Guid Second = Reconciliation.DecisionId("p1", 2);

    [Fact]
    public void Doing_it_again_changes_nothing()
    {
        Evaluation evaluation = Expect.Ready().AsOf("2026-03-15T06:00");

        Assert.True(Reconciliation.Of(Standing(evaluation), evaluation, Second, []).IsEmpty);
    }

    [Fact]
    public void A_severe_reaction_takes_the_place_of_a_proposal()
    {
        Reconciliation difference = Difference("2026-03-15T06:00", "2026-03-15T21:00", s => s.CheckIn("2026-03-15T20:00", "0003"));

        GoneCommunication gone = Assert.Single(difference.Withdraw);
        Assert.Equal((CommunicationKind.StepChange, WithdrawalReason.Superseded), (gone.Communication.Kind, gone.Reason));
        Assert.Equal(CommunicationKind.SafetyReferral, Assert.Single(difference.Issue, i => i.Replaces == gone.Communication.Key).Intent.Kind);
    }

    [Fact]
    public void A_prescription_without_an_answer_closes_the_proposal() => Assert.Equal(
        WithdrawalReason.PrescribedOtherwise, Reason("2026-03-15T06:00", "2026-03-15T12:00", s => s.Order("2026-03-15T10:00", "rx2", perDays: 1)));

    [Fact]
    public void A_course_that_has_ended_leaves_nothing_to_propose() => Assert.Equal(
        WithdrawalReason.CourseEnded,
        Reason("2026-03-15T06:00", "2026-03-15T12:00", s => s.Order("2026-03-01T10:00", status: PrescriptionStatus.Ended, recorded: "2026-03-15T10:00")));

    [Fact]
    public void A_check_in_entered_in_error_takes_the_proposal_with_it() => Assert.Equal(
        WithdrawalReason.SourceRemoved,
        Reason(
            "2026-03-15T06:00", "2026-03-15T12:00",
            s => s.Again(o => o with { Status = ObservationStatus.Removed, Source = o.Source with { VersionId = "2", ContentHash = "removed", LastUpdated = s.Local("2026-03-15T10:00") } })));

    [Fact]
    public void A_declined_proposal_says_so() => Assert.Equal(
        WithdrawalReason.Declined,
        Reason("2026-03-15T06:00", "2026-03-15T12:00", s => s.Answer("2026-03-15T10:00", TaskAnswer.Declined, CommunicationKind.StepChange, "2026-03-15T06:00")));

    [Fact]
    public void Time_alone_takes_the_grounds_away() => Assert.Equal(WithdrawalReason.GroundsGone, Reason("2026-03-15T06:00", "2026-03-21T06:00", s => s));

    [Fact]
    public void A_request_is_done_when_what_it_asked_for_has_come()
    {
        Story story = new Story().Order("2026-03-01T10:00");
        Evaluation asked = story.AsOf("2026-03-08T10:00");
        StandingCommunication request = Assert.Single(Standing(asked));

        Story answered = story.CheckIn("2026-03-08T19:00", applied: 3);
        Reconciliation difference = Reconciliation.Of([request], answered.AsOf("2026-03-08T20:00"), Second, [answered.Facts[^1]]);

        Assert.Equal(WithdrawalReason.Answered, Assert.Single(difference.Withdraw).Reason);
    }

    [Fact]
    public void The_second_text_takes_the_place_of_the_first()
    {
        Story story = new Story().Order("2026-03-01T10:00");
        StandingCommunication first = Assert.Single(Standing(story.AsOf("2026-03-08T10:00")));

        Reconciliation difference = Reconciliation.Of([first], story.AsOf("2026-03-11T10:00"), Second, []);

        Assert.Equal(WithdrawalReason.Superseded, Assert.Single(difference.Withdraw).Reason);
        Assert.Equal(first.Key, Assert.Single(difference.Issue).Replaces);
    }

    [Fact]
    public void What_is_overdue_goes_to_the_pool_once()
    {
        Story story = Expect.Ready("2000", "2000");
        ImmutableArray<StandingCommunication> before = Standing(story.AsOf("2026-03-15T06:00"));
        Evaluation overdue = story.AsOf("2026-03-20T19:00");

        StandingCommunication proposal = Assert.Single(Reconciliation.Of(before, overdue, Second, []).HandOver);
        Assert.Equal(CommunicationKind.StepChange, proposal.Kind);
        Assert.Empty(Reconciliation.Of([.. before.Select(s => s with { Overdue = true })], overdue, Second, []).HandOver);
    }

    private static WithdrawalReason Reason(string before, string after, Func<Story, Story> change) =>
        Assert.Single(Difference(before, after, change).Withdraw, g => g.Communication.Kind == CommunicationKind.StepChange).Reason;

    /// <summary>The worked example stands as proposed; then something comes in.</summary>
    private static Reconciliation Difference(string before, string after, Func<Story, Story> change)
    {
        Story story = Expect.Ready();
        ImmutableArray<StandingCommunication> standing = Standing(story.AsOf(before));
        ImmutableArray<Fact> known = story.Facts;
        Story changed = change(story);
        return Reconciliation.Of(standing, changed.AsOf(after), Second, [.. changed.Facts.Except(known)]);
    }

    private static ImmutableArray<StandingCommunication> Standing(Evaluation evaluation) =>
        [.. evaluation.Communications.Select(i => new StandingCommunication(Reconciliation.KeyOf(evaluation, i, First), i.Kind, i.Cause, i.Overdue))];
}
