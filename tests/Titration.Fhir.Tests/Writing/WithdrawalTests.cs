using Hl7.Fhir.Model;
using Titration.Fhir.Writing;
using Titration.Protocol.Communications;
using Titration.Protocol.Facts;
using Xunit;
using FhirTask = Hl7.Fhir.Model.Task;

namespace Titration.Fhir.Tests.Writing;

public sealed class WithdrawalTests
{
    private static readonly DateTimeOffset Later = Scenario.AsOf.AddDays(1);

    public static TheoryData<WithdrawalReason> Reasons => [.. Enum.GetValues<WithdrawalReason>()];

    [Theory]
    [MemberData(nameof(Reasons))]
    public void A_withdrawn_proposal_says_why_in_status_code_text_and_narrative_and_stays_valid(WithdrawalReason reason)
    {
        CommunicationRequest revoked = Withdrawal.Revoke(Request(), reason)!;
        Assert.Equal(RequestStatus.Revoked, revoked.Status);
        Assert.Equal(reason.Code(), revoked.StatusReason!.Coding[0].Code);
        Assert.Contains($"<div xmlns=\"http://www.w3.org/1999/xhtml\"><p>{revoked.StatusReason.Text}</p><p>", revoked.Text!.Div, StringComparison.Ordinal);
        Assert.Equal([], R4.ErrorsOf(revoked));

        FhirTask cancelled = Withdrawal.Cancel(Task(), reason, Later)!;
        Assert.Equal(FhirTask.TaskStatus.Cancelled, cancelled.Status);
        Assert.Equal("withdrawn", cancelled.BusinessStatus!.Coding[0].Code);
        Assert.Equal("2026-03-18T06:00:00Z", cancelled.LastModified);
        Assert.Equal([], R4.ErrorsOf(cancelled));
    }

    [Fact]
    public void What_others_wrote_into_it_stays()
    {
        FhirTask task = Task();
        task.Status = FhirTask.TaskStatus.InProgress;
        task.Meta = new Meta { VersionId = "4" };
        task.Note.Add(new Annotation { Text = "Called, no answer." });
        FhirTask cancelled = Withdrawal.Cancel(task, WithdrawalReason.GroundsGone, Later)!;
        Assert.Equal("4", cancelled.Meta!.VersionId);
        Assert.Equal("Called, no answer.", cancelled.Note[0].Text);
        Assert.Equal(FhirTask.TaskStatus.InProgress, task.Status);
    }

    [Theory]
    [InlineData(RequestStatus.Revoked)]
    [InlineData(RequestStatus.Completed)]
    [InlineData(RequestStatus.EnteredInError)]
    public void A_communication_in_a_final_status_is_left_alone(RequestStatus status)
    {
        CommunicationRequest request = Request();
        request.Status = status;
        Assert.Null(Withdrawal.Revoke(request, WithdrawalReason.GroundsGone));
        Assert.Null(Withdrawal.Complete(request));
        Assert.Null(Withdrawal.EnterInError(request));
        Assert.Null(Withdrawal.Activate(request, null, Later));
    }

    [Theory]
    [InlineData(FhirTask.TaskStatus.Completed)]
    [InlineData(FhirTask.TaskStatus.Cancelled)]
    [InlineData(FhirTask.TaskStatus.Rejected)]
    [InlineData(FhirTask.TaskStatus.Failed)]
    [InlineData(FhirTask.TaskStatus.EnteredInError)]
    public void A_task_in_a_final_status_is_left_alone(FhirTask.TaskStatus status)
    {
        FhirTask task = Task();
        task.Status = status;
        Assert.Null(Withdrawal.Cancel(task, WithdrawalReason.GroundsGone, Later));
        Assert.Null(Withdrawal.EnterInError(task, Later));
    }

    [Fact]
    public void A_check_in_request_that_was_answered_is_completed()
    {
        CommunicationRequest completed = Withdrawal.Complete(Scenario.The<CommunicationRequest>(Scenario.Write("check-in-first")))!;
        Assert.Equal(RequestStatus.Completed, completed.Status);
        Assert.Equal("answered", completed.StatusReason!.Coding[0].Code);
        Assert.Equal([], R4.ErrorsOf(completed));
    }

    [Fact]
    public void A_task_is_never_modified_before_it_was_authored()
    {
        FhirTask cancelled = Withdrawal.Cancel(Task(), WithdrawalReason.Superseded, Scenario.AsOf.AddHours(-1))!;
        Assert.Equal(cancelled.AuthoredOn, cancelled.LastModified);
    }

    [Theory]
    [InlineData("Practitioner/pr-1", "Practitioner/pr-1")]
    [InlineData("PractitionerRole/role-1", null)]
    [InlineData(null, null)]
    public void An_approved_draft_becomes_active_and_is_signed_where_R4_allows_it(string? approver, string? signature)
    {
        CommunicationRequest active = Withdrawal.Activate(Request(), approver, Later)!;
        Assert.Equal(RequestStatus.Active, active.Status);
        Assert.Equal(2, active.Note.Count);
        Assert.Equal(signature, (active.Note[1].Author as ResourceReference)?.Reference);
        Assert.Equal([], R4.ErrorsOf(active));
        Assert.Null(Withdrawal.Activate(active, approver, Later));
    }

    [Fact]
    public void A_copy_too_many_is_entered_in_error()
    {
        CommunicationRequest request = Withdrawal.EnterInError(Request())!;
        FhirTask task = Withdrawal.EnterInError(Task(), Later)!;
        Assert.Equal((RequestStatus.EnteredInError, FhirTask.TaskStatus.EnteredInError), (request.Status, task.Status));
        Assert.Equal([], R4.ErrorsOf(request));
        Assert.Equal([], R4.ErrorsOf(task));
    }

    [Theory]
    [InlineData(WithdrawalReason.SourceRemoved, Hl7.Fhir.Model.ObservationStatus.EnteredInError)]
    [InlineData(WithdrawalReason.GroundsGone, Hl7.Fhir.Model.ObservationStatus.Final)]
    public void An_issue_is_closed_by_what_became_of_its_source(WithdrawalReason reason, Hl7.Fhir.Model.ObservationStatus status)
    {
        DetectedIssue closed = Withdrawal.Close(Scenario.The<DetectedIssue>(Scenario.Write("referral")), reason)!;
        Assert.Equal(status, closed.Status);
        Assert.Equal([], R4.ErrorsOf(closed));
        Assert.Null(Withdrawal.Close(closed, reason));
    }

    [Fact]
    public void A_flag_is_lowered_once_and_never_ends_before_it_began()
    {
        Flag lowered = Withdrawal.Lower(Scenario.The<Flag>(Scenario.Write("referral")), Scenario.AsOf.AddHours(-1))!;
        Assert.Equal((Flag.FlagStatus.Inactive, "2026-03-17T06:00:00Z"), (lowered.Status, lowered.Period!.End));
        Assert.Equal([], R4.ErrorsOf(lowered));
        Assert.Null(Withdrawal.Lower(lowered, Later));
    }

    [Fact]
    public void A_narrative_of_unusual_form_is_replaced_not_broken()
    {
        CommunicationRequest request = Request();
        request.Text = null;
        Assert.Contains("Withdrawn", Withdrawal.Revoke(request, WithdrawalReason.Declined)!.Text!.Div, StringComparison.Ordinal);
        request.Text = new Narrative { Status = Narrative.NarrativeStatus.Empty, Div = "<div xmlns=\"http://www.w3.org/1999/xhtml\"/>" };
        Assert.EndsWith("</p></div>", Withdrawal.Revoke(request, WithdrawalReason.Declined)!.Text!.Div, StringComparison.Ordinal);
    }

    private static CommunicationRequest Request() => Scenario.The<CommunicationRequest>(Scenario.Write("step-up"));

    private static FhirTask Task() => Scenario.The<FhirTask>(Scenario.Write("step-up"));
}
