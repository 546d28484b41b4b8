using System.Collections.Immutable;
using Hl7.Fhir.Model;

namespace Titration.Fhir.Writing;

/// <summary>How the resources of a communication came about.</summary>
internal static class ProvenanceWriter
{
    /// <summary>It has no identifier in R4, and nobody edits it: a PUT by derived id may be repeated.</summary>
    public static OutgoingResource Write(WritingContext context, ImmutableArray<Guid> targets)
    {
        Guid uuid = context.UuidOf(OutgoingRole.Provenance);
        OutgoingCommunication communication = context.Communication;
        Provenance provenance = new()
        {
            Id = uuid.ToString(),
            Text = FhirText.Narrative($"Decided by {communication.Protocol.Name} {communication.Protocol.Version}, rule {context.Intent.Rule}."),
            Target = [.. targets.Select(OutgoingReferences.To)],
            Occurred = new FhirDateTime(context.AuthoredOn),
            Recorded = FhirText.Instant(communication.AsOf),
            Policy = [communication.Protocol.VersionedCanonical],
            Activity = OutgoingCodes.Copy(OutgoingCodes.Create),
            Agent = [Service(context)],
            Entity =
            [
                .. context.Sources.Select(s => Source(OutgoingReferences.Versioned(s))),
                Named(OutgoingCodes.DecisionNaming, communication.DecisionId.ToString(), "Decision"),
                Named(OutgoingCodes.InputDigestNaming, FhirText.Digest(communication.InputDigest), "Digest of the facts that decided"),
                Named(OutgoingCodes.PolicyNaming, FhirText.Digest(communication.PolicyHash), "Policy"),
            ],
        };
        return OutgoingResource.Put(OutgoingRole.Provenance, provenance, uuid);
    }

    private static Provenance.AgentComponent Service(WritingContext context) => new()
    {
        Type = OutgoingCodes.Copy(OutgoingCodes.Assembler),
        Who = context.Device,
        OnBehalfOf = context.Organization,
    };

    private static Provenance.EntityComponent Named(string system, string value, string display) =>
        Source(new ResourceReference { Identifier = new Identifier(system, value), Display = display });

    private static Provenance.EntityComponent Source(ResourceReference what) => new() { Role = Provenance.ProvenanceEntityRole.Source, What = what };
}
