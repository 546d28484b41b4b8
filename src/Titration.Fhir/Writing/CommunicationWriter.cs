using System.Collections.Immutable;
using Hl7.Fhir.Model;

namespace Titration.Fhir.Writing;

/// <summary>Writes all resources of one communication.</summary>
public static class CommunicationWriter
{
    /// <summary>
    /// In the order of sending: each comes after those it refers to. The same input gives the same resources, byte for byte.
    /// </summary>
    public static ImmutableArray<OutgoingResource> Write(OutgoingCommunication communication, ClinicIdentity clinic, Wording wording)
    {
        WritingContext context = new(communication, clinic, wording);
        ImmutableArray<OutgoingResource>.Builder resources = ImmutableArray.CreateBuilder<OutgoingResource>();
        if (context.IsReferral)
        {
            resources.Add(Create(context, OutgoingRole.DetectedIssue, SafetyWriter.DetectedIssue(context), OutgoingCodes.DetectedIssueNaming));
        }

        resources.Add(Create(
            context, OutgoingRole.CommunicationRequest, CommunicationRequestWriter.Write(context), OutgoingCodes.CommunicationRequestNaming));
        if (context.Intent.HasTask)
        {
            resources.Add(Create(context, OutgoingRole.Task, TaskWriter.Write(context), OutgoingCodes.TaskNaming));
        }

        if (context.IsReferral && context.Intent.Template == WordingTexts.Referral)
        {
            resources.Add(Create(context, OutgoingRole.Flag, SafetyWriter.Flag(context), OutgoingCodes.FlagNaming));
        }

        resources.Add(ProvenanceWriter.Write(context, [.. resources.Select(r => r.Uuid)]));
        return resources.ToImmutable();
    }

    private static OutgoingResource Create(WritingContext context, OutgoingRole role, DomainResource resource, string system) =>
        OutgoingResource.Create(role, resource, context.UuidOf(role), system);
}
