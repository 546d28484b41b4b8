using Hl7.Fhir.Model;
using Titration.Fhir.Publishing;
using Titration.Protocol.Communications;
using FhirTask = Hl7.Fhir.Model.Task;

namespace Titration.Fhir.Writing;

/// <summary>What a clinician has to do about a communication.</summary>
internal static class TaskWriter
{
    public static FhirTask Write(WritingContext context)
    {
        CommunicationIntent intent = context.Intent;
        string description = context.StaffText();
        ResourceReference communication = OutgoingReferences.To(context.UuidOf(OutgoingRole.CommunicationRequest));
        Dosage? proposed = DosageWriter.Proposed(context);
        return new FhirTask
        {
            Text = FhirText.Narrative(description, proposed?.Text, proposed?.PatientInstruction),
            Identifier = [new Identifier(OutgoingCodes.TaskNaming, context.UuidOf(OutgoingRole.Task).ToString())],
            InstantiatesCanonical = Activity.Of(intent.Kind).Canonical(context.Communication.Protocol.Version),
            BasedOn = [communication],
            GroupIdentifier = context.Decision,
            Status = FhirTask.TaskStatus.Requested,
            BusinessStatus = intent.Overdue ? OutgoingCodes.Copy(OutgoingCodes.Overdue)
                : intent.NeedsApproval ? OutgoingCodes.Copy(OutgoingCodes.AwaitingApproval)
                : null,
            Intent = intent.NeedsApproval ? FhirTask.TaskIntent.Proposal : FhirTask.TaskIntent.Order,
            Priority = CommunicationRequestWriter.PriorityOf(intent.Priority),
            Code = CodeOf(intent),
            Description = description,
            Focus = context.IsReferral ? OutgoingReferences.To(context.UuidOf(OutgoingRole.DetectedIssue)) : communication.DeepCopy(),
            For = context.Patient,
            AuthoredOn = context.AuthoredOn,
            LastModified = context.AuthoredOn,
            Requester = context.Device,
            Owner = new ResourceReference(context.Owner),
            ReasonCode = OutgoingCodes.Rule(intent.Rule),
            ReasonReference = LatestObservation(context),
            Restriction = RestrictionOf(context),
            Input = [.. TaskInputs.Of(context, proposed)],
        };
    }

    private static CodeableConcept CodeOf(CommunicationIntent intent) => OutgoingCodes.Copy(intent switch
    {
        { NeedsApproval: true } => OutgoingCodes.Approve,
        { Kind: CommunicationKind.SafetyReferral } => OutgoingCodes.UrgentReview,
        { Kind: CommunicationKind.Review or CommunicationKind.EffectReview } => OutgoingCodes.ClinicalReview,
        _ => OutgoingCodes.Fulfill,
    });

    // R4 allows one; all of them are inputs.
    private static ResourceReference? LatestObservation(WritingContext context) =>
        context.Evidence.Where(CommunicationRequestWriter.IsObservation).OrderBy(e => e.LastUpdated).LastOrDefault() is { } latest
            ? OutgoingReferences.Versioned(latest)
            : null;

    private static FhirTask.RestrictionComponent? RestrictionOf(WritingContext context) => context.Due is not { } due
        ? null
        : new FhirTask.RestrictionComponent
        {
            Period = new Period { End = FhirText.DateTime(due) },
            Recipient = RecipientsOf(context.Owner),
        };

    /// <summary>Whom R4 lets a Task be restricted to: not a CareTeam or a HealthcareService.</summary>
    public static List<ResourceReference> RecipientsOf(string owner) =>
        OutgoingReferences.IsTo(owner, "Practitioner", "PractitionerRole", "Organization") ? [new ResourceReference(owner)] : [];
}
