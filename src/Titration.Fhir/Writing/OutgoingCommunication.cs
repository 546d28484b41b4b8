using Hl7.Fhir.Model;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Writing;

/// <summary>One communication to write, with what its decision knew.</summary>
public sealed record OutgoingCommunication
{
    /// <summary>Its stable key: course, kind, cause and the decision that opened it.</summary>
    public required Guid Key { get; init; }

    public required Guid DecisionId { get; init; }

    /// <summary>The patient's logical id.</summary>
    public required string Patient { get; init; }

    /// <summary>Null for a stat finding of a patient without any course.</summary>
    public Course? Course { get; init; }

    /// <summary>The decision's instant: everything written is dated by it.</summary>
    public required DateTimeOffset AsOf { get; init; }

    public required CommunicationIntent Intent { get; init; }

    public Step? CurrentStep { get; init; }

    /// <summary>The exact version of the order in force; null where none is.</summary>
    public ResourceVersion? Order { get; init; }

    /// <summary>That order's own dosage, shown to the clinician as it stands; null: it is told from <see cref="CurrentStep"/>.</summary>
    public Dosage? OrderDosage { get; init; }

    /// <summary>Reference to the prescriber; null where there is none or the record is inactive: the pool then owns the Task.</summary>
    public string? Prescriber { get; init; }

    /// <summary>SHA-256 of the facts that went in, hexadecimal, with or without <c>sha256:</c> before it.</summary>
    public required string InputDigest { get; init; }

    /// <summary>SHA-256 of the policy, as <see cref="InputDigest"/>.</summary>
    public required string PolicyHash { get; init; }

    public required ProtocolIdentity Protocol { get; init; }

    /// <summary>Why, with the numbers that decided, for the clinician; a <c>reason</c> among the intent's own values goes before it.</summary>
    public string? Reason { get; init; }

    /// <summary>The patient's language, BCP 47; null: the clinic's.</summary>
    public string? PatientLanguage { get; init; }

    /// <summary>The CommunicationRequest that was withdrawn for it; null: none.</summary>
    public ResourceReference? Replaces { get; init; }

    /// <summary>For a reminder: the Task that waits; null where it is none, or the Task is not known any more.</summary>
    public ResourceReference? Reminds { get; init; }

    /// <summary>What an evaluation says of one of its intents.</summary>
    public static OutgoingCommunication Of(
        Evaluation evaluation, CommunicationIntent intent, Guid key, Guid decisionId, ProtocolIdentity protocol, string inputDigest, string policyHash) => new()
        {
            Key = key,
            DecisionId = decisionId,
            Patient = evaluation.Patient,
            Course = evaluation.Course,
            AsOf = evaluation.AsOf,
            Intent = intent,
            CurrentStep = evaluation.Step?.Step,
            Order = evaluation.Order,
            Prescriber = evaluation.Prescriber,
            InputDigest = inputDigest,
            PolicyHash = policyHash,
            Protocol = protocol,
            Reason = ReasonOf(evaluation, intent),
        };

    // A step change rests on every rule that spoke for its outcome: all the gates, not only the last.
    private static string? ReasonOf(Evaluation evaluation, CommunicationIntent intent)
    {
        Outcome? outcome = evaluation.Reasons.FirstOrDefault(r => r.Rule == intent.Rule)?.Outcome;
        string[] texts =
        [
            .. evaluation.Reasons
                .Where(r => r.Rule == intent.Rule || (intent.Kind == CommunicationKind.StepChange && r.Outcome == outcome))
                .Select(r => r.Text)
                .Distinct(StringComparer.Ordinal),
        ];
        return texts.Length == 0 ? null : string.Join("; ", texts);
    }
}

/// <summary>Which protocol decided.</summary>
/// <param name="Name">Machine name.</param>
/// <param name="Version">Its version.</param>
/// <param name="Canonical">URL of its PlanDefinition, without the version.</param>
public sealed record ProtocolIdentity(string Name, string Version, string Canonical)
{
    /// <summary>Grams in one fingertip unit, for telling a dose in words.</summary>
    public decimal FingertipUnitGrams { get; init; } = 0.5m;

    /// <summary><c>url|version</c>.</summary>
    public string VersionedCanonical => $"{Canonical}|{Version}";
}

/// <summary>The clinic, as the resources name it.</summary>
public sealed record ClinicIdentity
{
    /// <summary>Reference to the clinic, such as <c>Organization/org-1</c>.</summary>
    public required string Organization { get; init; }

    /// <summary>Who owns tasks that no prescriber does: an Organization, a CareTeam or a HealthcareService. Default: the clinic.</summary>
    public string Pool { get => field ?? Organization; init; }

    /// <summary>What patients call the clinic.</summary>
    public required string Name { get; init; }

    /// <summary>Logical id of the Device that stands for this service.</summary>
    public required string DeviceId { get; init; }

    /// <summary>The deployment's name: the Device's business identifier.</summary>
    public required string Deployment { get; init; }

    /// <summary>Dates in texts are told in this zone.</summary>
    public required TimeZoneInfo Zone { get; init; }

    /// <summary>The days on which nobody works through tasks.</summary>
    public ClinicCalendar Calendar { get; init; } = ClinicCalendar.AlwaysOpen;

    /// <summary>The language of the clinic's staff, BCP 47.</summary>
    public string Language { get; init; } = Wording.DefaultLanguage;
}
