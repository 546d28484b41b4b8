using Hl7.Fhir.Model;

namespace Titration.Fhir.Writing;

/// <summary>Every system and code that leaves this service. Their definitions are in contracts/fhir.</summary>
public static class OutgoingCodes
{
    private const string Base = "https://titration.example.org/fhir";

    /// <summary>R4 has no instantiatesCanonical on CommunicationRequest; this standard extension says it instead.</summary>
    public const string InstantiatesCanonical = "http://hl7.org/fhir/StructureDefinition/workflow-instantiatesCanonical";

    public const string CommunicationRequestNaming = Base + "/NamingSystem/communication-request";
    public const string TaskNaming = Base + "/NamingSystem/task";
    public const string DigestNaming = Base + "/NamingSystem/digest";
    public const string DetectedIssueNaming = Base + "/NamingSystem/detected-issue";
    public const string FlagNaming = Base + "/NamingSystem/flag";
    public const string DecisionNaming = Base + "/NamingSystem/decision";
    public const string DeploymentNaming = Base + "/NamingSystem/deployment";
    public const string InputDigestNaming = Base + "/NamingSystem/input-digest";
    public const string PolicyNaming = Base + "/NamingSystem/policy";

    public const string RuleSystem = Base + "/CodeSystem/rule";
    public const string SafetySystem = Base + "/CodeSystem/safety";
    public const string TaskCodeSystem = Base + "/CodeSystem/task-code";
    public const string TaskIoSystem = Base + "/CodeSystem/task-io";
    public const string BusinessStatusSystem = Base + "/CodeSystem/task-business-status";
    public const string StatusReasonSystem = Base + "/CodeSystem/status-reason";

    /// <summary>The note on every draft, for people who see the resource without its Task.</summary>
    public const string ProposalNote = "PROPOSAL - not to be sent before a clinician approves the linked Task.";

    private const string FhirTaskCode = "http://hl7.org/fhir/CodeSystem/task-code";
    private const string Participation = "http://terminology.hl7.org/CodeSystem/v3-ParticipationMode";
    private const string DoseRateType = "http://terminology.hl7.org/CodeSystem/dose-rate-type";
    private const string Snomed = "http://snomed.info/sct";

    public static CodeableConcept Approve { get; } = Concept(FhirTaskCode, "approve", "Activate/approve the focal resource");
    public static CodeableConcept Fulfill { get; } = Concept(FhirTaskCode, "fulfill", "Fulfill the focal request");
    public static CodeableConcept UrgentReview { get; } = Concept(TaskCodeSystem, "urgent-review", "Urgent clinician review");
    public static CodeableConcept ClinicalReview { get; } = Concept(TaskCodeSystem, "clinical-review", "Clinician review");
    public static CodeableConcept OverdueDigest { get; } = Concept(TaskCodeSystem, "overdue-digest", "Digest of overdue tasks");

    public static CodeableConcept AwaitingApproval { get; } = Concept(BusinessStatusSystem, "awaiting-approval", "Awaiting approval");
    public static CodeableConcept Overdue { get; } = Concept(BusinessStatusSystem, "overdue", "Overdue, with the clinic's pool");
    public static CodeableConcept Withdrawn { get; } = Concept(BusinessStatusSystem, "withdrawn", "Withdrawn");

    public static CodeableConcept Written { get; } = Concept(Participation, "WRITTEN", "written");
    public static CodeableConcept Phone { get; } = Concept(Participation, "PHONE", "telephone");

    public static CodeableConcept SafetyFlag { get; } =
        Concept("http://terminology.hl7.org/CodeSystem/flag-category", "safety", "Safety");

    public static CodeableConcept NoAutomaticProposals { get; } =
        Concept(SafetySystem, "no-automatic-proposals", "Titration paused: safety review pending");

    public static CodeableConcept Create { get; } = Concept("http://terminology.hl7.org/CodeSystem/v3-DataOperation", "CREATE", "create");

    public static CodeableConcept Update { get; } =
        Concept("http://terminology.hl7.org/CodeSystem/v3-DataOperation", "UPDATE", "revise");

    public static CodeableConcept Assembler { get; } =
        Concept("http://terminology.hl7.org/CodeSystem/provenance-participant-type", "assembler", "Assembler");

    public static CodeableConcept Ordered { get; } = Concept(DoseRateType, "ordered", "Ordered");
    public static CodeableConcept Calculated { get; } = Concept(DoseRateType, "calculated", "Calculated");

    public static CodeableConcept Face { get; } =
        new(Snomed, "73897004", "Skin structure of face", "face, avoiding eyelids, nostril creases, mouth corners and lips");

    public static CodeableConcept Topical { get; } = new(Snomed, "6064005", "Topical route", "topical");

    /// <summary>Text only: no published source for a SNOMED CT code of the method was at hand.</summary>
    public static CodeableConcept ThinFilm { get; } = new() { Text = "apply a thin film" };

    /// <summary>A copy of one of the concepts above: a FHIR element is mutable and belongs to one resource.</summary>
    public static CodeableConcept Copy(CodeableConcept concept) => concept.DeepCopy();

    public static CodeableConcept Category(string code, string display) =>
        Concept("http://terminology.hl7.org/CodeSystem/communication-category", code, display);

    public static CodeableConcept Rule(string rule) => new() { Coding = [new Coding(RuleSystem, rule)], Text = rule };

    /// <summary>The canonical of the activity a Task carries out, in the version of the protocol.</summary>
    public static string Activity(string id, string protocolVersion) => $"{Base}/ActivityDefinition/{id}|{protocolVersion}";

    private static CodeableConcept Concept(string system, string code, string display) =>
        new() { Coding = [new Coding(system, code, display)] };
}
