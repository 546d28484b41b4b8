using System.Collections.Immutable;
using Hl7.Fhir.Model;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Writing;

/// <summary>A decision as it stands in the record.</summary>
/// <param name="Id">Its id.</param>
/// <param name="InputDigest">Digest of the facts that went in.</param>
/// <param name="PolicyHash">The policy it was made by.</param>
/// <param name="Protocol">The canonical of its protocol, version included; null where the record does not hold it.</param>
/// <param name="Evaluation">What was decided.</param>
/// <param name="Resources">What it brought onto the FHIR server, <c>Type/id</c>.</param>
public sealed record RecordedDecision(Guid Id, string InputDigest, string PolicyHash, string? Protocol, Evaluation Evaluation, ImmutableArray<string> Resources);

/// <summary>A resource that was written to the FHIR server.</summary>
/// <param name="Patient">Whose it is, the logical id.</param>
/// <param name="Decision">The decision that asked for it.</param>
/// <param name="Resource"><c>Type/id</c>.</param>
/// <param name="IsNew">True: created; false: updated.</param>
/// <param name="At">When the server had it.</param>
public sealed record RecordedWrite(string Patient, Guid Decision, string Resource, bool IsNew, DateTimeOffset At);

/// <summary>The record of decisions in FHIR R4, for auditors: a Provenance for each decision, an AuditEvent for each write to the clinic's FHIR server.</summary>
/// <param name="organization">Reference to the clinic.</param>
/// <param name="device">Reference to this service.</param>
/// <param name="server">The FHIR server's base address; null: the embedded endpoint.</param>
public sealed class LedgerResources(string organization, string device, Uri? server)
{
    private const string BalpBase = "https://profiles.ihe.net/ITI/BALP/StructureDefinition/IHE.BasicAudit.";
    private const string Dicom = "http://dicom.nema.org/resources/ontology/DCM";
    private const string EntityType = "http://terminology.hl7.org/CodeSystem/audit-entity-type";
    private const string ObjectRole = "http://terminology.hl7.org/CodeSystem/object-role";
    private const string DataAbsentReason = "http://hl7.org/fhir/StructureDefinition/data-absent-reason";

    /// <summary>How a decision came about: from which versions of which resources, by which policy, by this service.</summary>
    public Provenance ProvenanceOf(RecordedDecision decision)
    {
        Evaluation evaluation = decision.Evaluation;
        IEnumerable<ResourceVersion> facts = evaluation.Reasons.SelectMany(r => r.Evidence).Concat(evaluation.Order is { } order ? [order] : [])
            .DistinctBy(f => f.Reference, StringComparer.Ordinal);
        ResourceReference own = Named(OutgoingCodes.DecisionNaming, decision.Id.ToString(), "Decision");
        return new Provenance
        {
            Id = DerivedId.Of("ledger-provenance", decision.Id.ToString()).ToString(),
            Target = [own, .. decision.Resources.Select(r => new ResourceReference(r))],
            Occurred = new FhirDateTime(FhirText.DateTime(evaluation.AsOf)),
            Recorded = FhirText.Instant(evaluation.AsOf),
            Policy = [decision.Protocol ?? $"{OutgoingCodes.PolicyNaming}/{decision.PolicyHash}"],
            Activity = OutgoingCodes.Copy(OutgoingCodes.Create),
            Agent =
            [
                new Provenance.AgentComponent
                {
                    Type = OutgoingCodes.Copy(OutgoingCodes.Assembler),
                    Who = new ResourceReference(device),
                    OnBehalfOf = new ResourceReference(organization),
                },
            ],
            Entity =
            [
                .. facts.Select(f => Source(OutgoingReferences.Versioned(f))),
                Source(Named(OutgoingCodes.DecisionNaming, decision.Id.ToString(), "Decision")),
                Source(Named(OutgoingCodes.InputDigestNaming, FhirText.Digest(decision.InputDigest), "Digest of the facts that decided")),
                Source(Named(OutgoingCodes.PolicyNaming, FhirText.Digest(decision.PolicyHash), "Policy")),
            ],
        };
    }

    /// <summary>
    /// A write to the FHIR server by the patterns of IHE BALP (PatientCreate, PatientUpdate). No user takes part: the service acts by itself.
    /// </summary>
    public AuditEvent AuditEventOf(RecordedWrite write)
    {
        string interaction = write.IsNew ? "create" : "update";
        return new AuditEvent
        {
            Id = DerivedId.Of("ledger-audit", write.Decision.ToString(), write.Resource, interaction, FhirText.DateTime(write.At)).ToString(),
            Meta = new Meta { Profile = [BalpBase + (write.IsNew ? "PatientCreate" : "PatientUpdate")] },
            Type = new Coding("http://terminology.hl7.org/CodeSystem/audit-event-type", "rest", "Restful Operation"),
            Subtype = [new Coding("http://hl7.org/fhir/restful-interaction", interaction, interaction)],
            Action = write.IsNew ? AuditEvent.AuditEventAction.C : AuditEvent.AuditEventAction.U,
            Recorded = FhirText.Instant(write.At),
            Outcome = AuditEvent.AuditEventOutcome.N0,
            Agent =
            [
                Agent("110153", "Source Role ID", new ResourceReference(device), isRequestor: true, Unknown()),
                Agent("110152", "Destination Role ID", new ResourceReference { Display = server?.ToString() ?? "embedded FHIR endpoint" }, isRequestor: false, Address()),
            ],
            Source = new AuditEvent.SourceComponent
            {
                Observer = new ResourceReference(device),
                Type = [new Coding("http://terminology.hl7.org/CodeSystem/security-source-type", "4", "Application Server")],
            },
            Entity =
            [
                Entity(new ResourceReference($"Patient/{write.Patient}"), new Coding(EntityType, "1", "Person"), new Coding(ObjectRole, "1", "Patient")),
                Entity(new ResourceReference(write.Resource), new Coding(EntityType, "2", "System Object"), new Coding(ObjectRole, "4", "Domain Resource")),
                new AuditEvent.EntityComponent { What = Named(OutgoingCodes.DecisionNaming, write.Decision.ToString(), "Decision") },
            ],
        };
    }

    private static AuditEvent.AgentComponent Agent(string code, string display, ResourceReference who, bool isRequestor, AuditEvent.NetworkComponent network) => new()
    {
        Type = new CodeableConcept(Dicom, code, display, null),
        Who = who,
        Requestor = isRequestor,
        Network = network,
    };

    /// <summary>Which machine a worker ran on is not recorded.</summary>
    private static AuditEvent.NetworkComponent Unknown() => new()
    {
        AddressElement = new FhirString { Extension = [new Extension(DataAbsentReason, new Code("unknown"))] },
    };

    private AuditEvent.NetworkComponent Address() => server is null
        ? Unknown()
        : new AuditEvent.NetworkComponent { Address = server.ToString(), Type = AuditEvent.AuditEventAgentNetworkType.N5 };

    private static AuditEvent.EntityComponent Entity(ResourceReference what, Coding type, Coding role) => new() { What = what, Type = type, Role = role };

    private static ResourceReference Named(string system, string value, string display) => new() { Identifier = new Identifier(system, value), Display = display };

    private static Provenance.EntityComponent Source(ResourceReference what) => new() { Role = Provenance.ProvenanceEntityRole.Source, What = what };
}
