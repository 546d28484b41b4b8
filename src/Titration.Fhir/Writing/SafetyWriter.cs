using Hl7.Fhir.Model;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using IssueStatus = Hl7.Fhir.Model.ObservationStatus;

namespace Titration.Fhir.Writing;

/// <summary>What stands in the record beside a safety referral.</summary>
internal static class SafetyWriter
{
    /// <summary>The issue itself, preliminary: a clinician makes it final.</summary>
    public static DetectedIssue DetectedIssue(WritingContext context)
    {
        string text = context.StaffText();
        return new DetectedIssue
        {
            Text = FhirText.Narrative(text),
            Identifier = [new Identifier(OutgoingCodes.DetectedIssueNaming, context.UuidOf(OutgoingRole.DetectedIssue).ToString())],
            Status = IssueStatus.Preliminary,
            Code = CodeOf(context),
            Severity = context.Intent.Priority switch
            {
                Priority.Routine => Hl7.Fhir.Model.DetectedIssue.DetectedIssueSeverity.Moderate,
                Priority.Urgent or Priority.Stat => Hl7.Fhir.Model.DetectedIssue.DetectedIssueSeverity.High,
            },
            Patient = context.Patient,
            Identified = new FhirDateTime(context.AuthoredOn),
            Author = context.Device,
            Implicated = [.. context.Sources.Where(IsOrder).Select(OutgoingReferences.Versioned)],
            Evidence = [.. context.Evidence.Where(e => !IsOrder(e)).Select(EvidenceOf)],
            Detail = text,
        };
    }

    /// <summary>Tells whoever opens the record that proposals rest until somebody has looked.</summary>
    public static Flag Flag(WritingContext context) => new()
    {
        Text = FhirText.Narrative(OutgoingCodes.NoAutomaticProposals.Coding[0].Display),
        Identifier = [new Identifier(OutgoingCodes.FlagNaming, context.UuidOf(OutgoingRole.Flag).ToString())],
        Status = Hl7.Fhir.Model.Flag.FlagStatus.Active,
        Category = [OutgoingCodes.Copy(OutgoingCodes.SafetyFlag)],
        Code = OutgoingCodes.Copy(OutgoingCodes.NoAutomaticProposals),
        Subject = context.Patient,
        Period = new Period { Start = context.AuthoredOn },
        Author = context.Device,
    };

    private static CodeableConcept CodeOf(WritingContext context) => context.Intent.Finding is { } finding
        ? new CodeableConcept { Coding = [new Coding(OutgoingCodes.SafetySystem, finding)], Text = context.Staff.Finding(finding) }
        : OutgoingCodes.Rule(context.Intent.Rule);

    private static bool IsOrder(ResourceVersion version) => version.Type == "MedicationRequest";

    private static DetectedIssue.EvidenceComponent EvidenceOf(ResourceVersion version) => new() { Detail = [OutgoingReferences.Versioned(version)] };
}
