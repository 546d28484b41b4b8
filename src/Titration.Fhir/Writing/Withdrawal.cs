using Hl7.Fhir.Model;
using Titration.Protocol.Communications;
using Titration.Protocol.Facts;
using FhirTask = Hl7.Fhir.Model.Task;
using IssueStatus = Hl7.Fhir.Model.ObservationStatus;

namespace Titration.Fhir.Writing;

/// <summary>
/// Later changes of what we wrote. Each takes the resource as the server has it now and returns a changed copy for a version-aware
/// update, with everything else as others left it; null: there is nothing to do, since its status is final.
/// </summary>
public static class Withdrawal
{
    /// <summary>A communication that no longer stands.</summary>
    public static CommunicationRequest? Revoke(CommunicationRequest current, WithdrawalReason reason) =>
        IsFinal(current) ? null : Changed(current, RequestStatus.Revoked, reason);

    /// <summary>A request that the patient has answered.</summary>
    public static CommunicationRequest? Complete(CommunicationRequest current) =>
        IsFinal(current) ? null : Changed(current, RequestStatus.Completed, WithdrawalReason.Answered);

    /// <summary>
    /// An approved draft. Null also where it is no draft any more. <paramref name="approver"/> signs where R4 lets it: an Annotation's
    /// author is a Practitioner, a Patient, a RelatedPerson or an Organization, not a PractitionerRole.
    /// </summary>
    public static CommunicationRequest? Activate(CommunicationRequest current, string? approver, DateTimeOffset at)
    {
        if (current.Status != RequestStatus.Draft)
        {
            return null;
        }

        CommunicationRequest changed = current.DeepCopy();
        changed.Status = RequestStatus.Active;
        changed.Text = FhirText.Before("Approved.", changed.Text);
        changed.Note.Add(new Annotation
        {
            Author = OutgoingReferences.IsTo(approver, "Practitioner", "Organization") ? new ResourceReference(approver) : null,
            Time = FhirText.DateTime(at),
            Text = "Approved.",
        });
        return changed;
    }

    /// <summary>A Task that nobody needs to do any more.</summary>
    /// <param name="at">When: <c>lastModified</c>, never before <c>authoredOn</c> (R4 inv-1).</param>
    public static FhirTask? Cancel(FhirTask current, WithdrawalReason reason, DateTimeOffset at) => IsFinal(current)
        ? null
        : Changed(current, FhirTask.TaskStatus.Cancelled, reason, at);

    /// <summary>A Task that nobody answered goes to the clinic's pool; the rest of it stays.</summary>
    public static FhirTask? HandOver(FhirTask current, string pool, DateTimeOffset at)
    {
        if (IsFinal(current))
        {
            return null;
        }

        FhirTask changed = current.DeepCopy();
        changed.Owner = new ResourceReference(pool);
        changed.BusinessStatus = OutgoingCodes.Copy(OutgoingCodes.Overdue);
        changed.LastModified = LastModified(current, at);
        if (changed.Restriction is { } restriction)
        {
            restriction.Recipient = TaskWriter.RecipientsOf(pool);
        }

        changed.Text = FhirText.Before("Not answered in time: with the clinic's pool.", changed.Text);
        return changed;
    }

    /// <summary>The issue behind a referral: final once dealt with, entered in error where its source was.</summary>
    public static DetectedIssue? Close(DetectedIssue current, WithdrawalReason reason)
    {
        if (current.Status is not (IssueStatus.Registered or IssueStatus.Preliminary))
        {
            return null;
        }

        DetectedIssue changed = current.DeepCopy();
        bool inError = reason is WithdrawalReason.SourceRemoved or WithdrawalReason.Duplicate;
        changed.Status = inError ? IssueStatus.EnteredInError : IssueStatus.Final;
        changed.Text = FhirText.Before(TextOf(reason), changed.Text);
        return changed;
    }

    /// <summary>A flag that no longer applies, from <paramref name="at"/>.</summary>
    public static Flag? Lower(Flag current, DateTimeOffset at)
    {
        if (current.Status != Flag.FlagStatus.Active)
        {
            return null;
        }

        Flag changed = current.DeepCopy();
        changed.Status = Flag.FlagStatus.Inactive;
        changed.Period ??= new Period();
        string end = FhirText.DateTime(at);
        changed.Period.End = Precedes(end, changed.Period.Start) ? changed.Period.Start : end;
        return changed;
    }

    /// <summary>The lesser of two copies of one communication. One that a human has finished stays as it is.</summary>
    public static CommunicationRequest? EnterInError(CommunicationRequest current) =>
        IsFinal(current) ? null : Changed(current, RequestStatus.EnteredInError, WithdrawalReason.Duplicate);

    /// <inheritdoc cref="EnterInError(CommunicationRequest)"/>
    public static FhirTask? EnterInError(FhirTask current, DateTimeOffset at) =>
        IsFinal(current) ? null : Changed(current, FhirTask.TaskStatus.EnteredInError, WithdrawalReason.Duplicate, at);

    public static bool IsFinal(CommunicationRequest current) =>
        current.Status is RequestStatus.Revoked or RequestStatus.Completed or RequestStatus.EnteredInError;

    public static bool IsFinal(FhirTask current) => current.Status is FhirTask.TaskStatus.Completed or FhirTask.TaskStatus.Cancelled
        or FhirTask.TaskStatus.Rejected or FhirTask.TaskStatus.Failed or FhirTask.TaskStatus.EnteredInError;

    private static CommunicationRequest Changed(CommunicationRequest current, RequestStatus status, WithdrawalReason reason)
    {
        CommunicationRequest changed = current.DeepCopy();
        changed.Status = status;
        changed.StatusReason = ReasonOf(reason);
        changed.Text = FhirText.Before(TextOf(reason), changed.Text);
        return changed;
    }

    private static FhirTask Changed(FhirTask current, FhirTask.TaskStatus status, WithdrawalReason reason, DateTimeOffset at)
    {
        FhirTask changed = current.DeepCopy();
        changed.Status = status;
        changed.StatusReason = ReasonOf(reason);
        changed.BusinessStatus = OutgoingCodes.Copy(OutgoingCodes.Withdrawn);
        changed.LastModified = LastModified(current, at);
        changed.Text = FhirText.Before(TextOf(reason), changed.Text);
        return changed;
    }

    // R4 inv-1.
    private static string? LastModified(FhirTask task, DateTimeOffset at) =>
        FhirText.DateTime(at) is var modified && Precedes(modified, task.AuthoredOn) ? task.AuthoredOn : modified;

    private static bool Precedes(string instant, string? other) =>
        other is not null && new FhirDateTime(instant).ToDateTimeOffset(TimeSpan.Zero) < new FhirDateTime(other).ToDateTimeOffset(TimeSpan.Zero);

    private static CodeableConcept ReasonOf(WithdrawalReason reason) => new()
    {
        Coding = [new Coding(OutgoingCodes.StatusReasonSystem, reason.Code())],
        Text = TextOf(reason),
    };

    private static string TextOf(WithdrawalReason reason) => reason switch
    {
        WithdrawalReason.GroundsGone => "Withdrawn: what it rested on is no longer so.",
        WithdrawalReason.Superseded => "Withdrawn: a newer communication takes its place.",
        WithdrawalReason.Answered => "Done: what it asked for has arrived.",
        WithdrawalReason.PrescribedOtherwise => "Withdrawn: the prescriber has changed the prescription.",
        WithdrawalReason.Declined => "Withdrawn: a clinician declined the proposal.",
        WithdrawalReason.CourseEnded => "Withdrawn: the course of treatment has ended.",
        WithdrawalReason.PatientNotFollowed => "Withdrawn: the patient is no longer followed by this service.",
        WithdrawalReason.SourceRemoved => "Withdrawn: a source was entered in error.",
        WithdrawalReason.PolicyChanged => "Withdrawn: the clinic has adopted another policy.",
        WithdrawalReason.Duplicate => "Entered in error: the same communication stands elsewhere.",
    };
}
