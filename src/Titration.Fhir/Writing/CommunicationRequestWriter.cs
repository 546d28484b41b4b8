using Hl7.Fhir.Model;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Writing;

/// <summary>The message: to the patient, or to a clinician.</summary>
internal static class CommunicationRequestWriter
{
    public static CommunicationRequest Write(WritingContext context)
    {
        CommunicationIntent intent = context.Intent;
        bool toPatient = intent.Audience == Audience.Patient;
        string message = context.Message();
        return new CommunicationRequest
        {
            Language = toPatient ? context.ToPatient.Language : context.Staff.Language,
            Text = FhirText.Narrative(message, intent.NeedsApproval ? OutgoingCodes.ProposalNote : null),
            Extension = [new Extension(OutgoingCodes.InstantiatesCanonical, new Canonical(context.Communication.Protocol.VersionedCanonical))],
            Identifier = [new Identifier(OutgoingCodes.CommunicationRequestNaming, context.UuidOf(OutgoingRole.CommunicationRequest).ToString())],
            Replaces = context.Communication.Replaces is { } replaced ? [replaced.DeepCopy()] : [],
            GroupIdentifier = context.Decision,
            Status = intent.NeedsApproval ? RequestStatus.Draft : RequestStatus.Active,
            Category = [intent.Reminds is null ? CategoryOf(intent.Kind) : OutgoingCodes.Category("reminder", "Reminder")],
            Priority = PriorityOf(intent.Priority),
            Medium = [OutgoingCodes.Copy(!toPatient && intent.Priority == Priority.Stat ? OutgoingCodes.Phone : OutgoingCodes.Written)],
            Subject = context.Patient,
            About = [.. About(context)],
            Payload = [.. Payload(context, message)],
            Occurrence = OccurrenceOf(context),
            AuthoredOn = context.AuthoredOn,
            Requester = context.Device,
            Recipient = [.. Recipients(context)],
            Sender = toPatient ? context.Organization : context.Device,
            ReasonCode = [OutgoingCodes.Rule(intent.Rule)],
            ReasonReference = [.. context.Evidence.Where(IsObservation).Select(OutgoingReferences.Versioned)],
            Note = intent.NeedsApproval ? [new Annotation { Time = context.AuthoredOn, Text = OutgoingCodes.ProposalNote }] : [],
        };
    }

    public static RequestPriority PriorityOf(Priority priority) => priority switch
    {
        Priority.Routine => RequestPriority.Routine,
        Priority.Urgent => RequestPriority.Urgent,
        Priority.Stat => RequestPriority.Stat,
    };

    public static bool IsObservation(ResourceVersion version) => version.Type == "Observation";

    // The order goes here and never into reasonReference, which R4 keeps for Condition, Observation, DiagnosticReport and DocumentReference.
    private static IEnumerable<ResourceReference> About(WritingContext context)
    {
        if (context.IsReferral)
        {
            yield return OutgoingReferences.To(context.UuidOf(OutgoingRole.DetectedIssue));
        }

        if (context.Communication.Reminds is { } task)
        {
            yield return task.DeepCopy();
        }

        foreach (ResourceVersion source in context.Sources)
        {
            yield return OutgoingReferences.Versioned(source);
        }
    }

    private static IEnumerable<CommunicationRequest.PayloadComponent> Payload(WritingContext context, string message)
    {
        yield return new CommunicationRequest.PayloadComponent { Content = new FhirString(message) };
        if (context.IsReferral)
        {
            yield return new CommunicationRequest.PayloadComponent
            {
                Content = OutgoingReferences.To(context.UuidOf(OutgoingRole.DetectedIssue)),
            };
        }
    }

    private static IEnumerable<ResourceReference> Recipients(WritingContext context)
    {
        if (context.Intent.Audience == Audience.Patient)
        {
            yield return context.Patient;
            yield break;
        }

        yield return new ResourceReference(context.Owner);
        if (context.IsReferral)
        {
            // A referral must not wait in the inbox of one person alone, nor in the pool's without the prescriber's knowledge.
            foreach (string other in new[] { context.Prescriber, context.Clinic.Pool }.OfType<string>().Where(r => r != context.Owner).Distinct(StringComparer.Ordinal))
            {
                yield return new ResourceReference(other);
            }
        }
    }

    private static DataType? OccurrenceOf(WritingContext context)
    {
        CommunicationIntent intent = context.Intent;
        bool asks = intent.Kind is CommunicationKind.CheckInRequest or CommunicationKind.RepeatReminder;
        if (asks && intent.Due is { } due && due > context.Communication.AsOf)
        {
            return new Period { Start = context.AuthoredOn, End = FhirText.DateTime(due) };
        }

        return intent.Priority == Priority.Stat ? new FhirDateTime(context.AuthoredOn) : null;
    }

    private static CodeableConcept CategoryOf(CommunicationKind kind) => kind switch
    {
        CommunicationKind.SafetyReferral => OutgoingCodes.Category("alert", "Alert"),
        CommunicationKind.CareAdvice or CommunicationKind.StepChange => OutgoingCodes.Category("instruction", "Instruction"),
        CommunicationKind.Review or CommunicationKind.EffectReview or CommunicationKind.ClinicTask =>
            OutgoingCodes.Category("notification", "Notification"),
        CommunicationKind.CheckInRequest or CommunicationKind.RepeatReminder => OutgoingCodes.Category("reminder", "Reminder"),
    };
}
