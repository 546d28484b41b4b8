using System.Collections.Immutable;
using System.Text.Json.Serialization;

namespace Titration.Protocol.Facts;

/// <summary>What one version of one resource says, in the trade's own terms.</summary>
[JsonPolymorphic(TypeDiscriminatorPropertyName = "fact")]
[JsonDerivedType(typeof(PrescriptionFact), "prescription")]
[JsonDerivedType(typeof(ObservationFact), "observation")]
[JsonDerivedType(typeof(PatientFact), "patient")]
[JsonDerivedType(typeof(AnswerFact), "answer")]
public abstract record Fact
{
    private protected Fact()
    {
    }

    public required ResourceVersion Source { get; init; }

    /// <summary>The patient's logical id on the clinic's server.</summary>
    public required string Patient { get; init; }
}

/// <summary>Where a prescription stands, from <c>MedicationRequest.status</c>.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<PrescriptionStatus>))]
public enum PrescriptionStatus
{
    /// <summary>In force.</summary>
    [JsonStringEnumMemberName("active")] Active,

    /// <summary>Paused by the prescriber.</summary>
    [JsonStringEnumMemberName("on-hold")] OnHold,

    /// <summary>Stopped or completed: it was in force and is not any more.</summary>
    [JsonStringEnumMemberName("ended")] Ended,

    /// <summary>Cancelled before any use, a draft, of unknown status, or no order at all (a plan, a proposal, an option).</summary>
    [JsonStringEnumMemberName("never-in-force")] NeverInForce,

    /// <summary>Entered in error or deleted: as if it had never been.</summary>
    [JsonStringEnumMemberName("removed")] Removed,
}

/// <summary>Why a dosage cannot be taken as a step.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<DosageDoubt>))]
public enum DosageDoubt
{
    [JsonStringEnumMemberName("as-needed")] AsNeeded,
    [JsonStringEnumMemberName("text-only")] TextOnly,
    [JsonStringEnumMemberName("strength-unknown")] StrengthUnknown,
}

/// <summary>One stretch of a prescription's dosage.</summary>
/// <param name="Start">From <c>boundsPeriod.start</c>, or after the stretch before it; null where only the order's own date counts.</param>
/// <param name="Frequency">How often.</param>
/// <param name="GramsPerApplication">Grams of product per application, above 0.</param>
public sealed record DosagePhase(ClinicalTime? Start, Frequency Frequency, decimal GramsPerApplication);

/// <summary>A version of a MedicationRequest.</summary>
public sealed record PrescriptionFact : Fact
{
    public required PrescriptionStatus Status { get; init; }

    public required Product Product { get; init; }

    /// <summary>The treated area's code; <c>face</c> where the order names a part of the face or none.</summary>
    public required string Area { get; init; }

    public required ClinicalTime AuthoredOn { get; init; }

    /// <summary>The earliest <c>boundsPeriod.start</c>, also where the dosage cannot be taken as steps; null where none is given.</summary>
    public ClinicalTime? Start { get; init; }

    /// <summary>The dosage in time order; empty where <see cref="Doubts"/> says why.</summary>
    public ImmutableArray<DosagePhase> Phases { get; init; } = [];

    public ImmutableArray<DosageDoubt> Doubts { get; init; } = [];

    /// <summary>Grams of product in one dispensing, where it is known.</summary>
    public decimal? GramsPerFill { get; init; }

    /// <summary>Dispensings allowed, the first one included; at least 1.</summary>
    public int Fills { get; init; } = 1;

    /// <summary>Logical id of the MedicationRequest that this one replaces.</summary>
    public string? PriorPrescription { get; init; }

    /// <summary>Reference to the prescriber, such as <c>PractitionerRole/role-1</c>.</summary>
    public string? Prescriber { get; init; }
}

/// <summary>Whether an observation counts, from <c>Observation.status</c>.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<ObservationStatus>))]
public enum ObservationStatus
{
    /// <summary>Registered or preliminary: kept, and not looked at until it is final.</summary>
    [JsonStringEnumMemberName("waits")] Waits,

    /// <summary>Final, amended or corrected.</summary>
    [JsonStringEnumMemberName("counts")] Counts,

    /// <summary>Entered in error, cancelled, of unknown status, or deleted.</summary>
    [JsonStringEnumMemberName("removed")] Removed,
}

/// <summary>Whose word an observation is. A clinician may clear findings that a patient may not.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<PerformerKind>))]
public enum PerformerKind
{
    /// <summary>The patient, a relative, or nobody named: the lesser authority where it is unknown.</summary>
    [JsonStringEnumMemberName("patient")] Patient,

    /// <summary>A Practitioner or PractitionerRole.</summary>
    [JsonStringEnumMemberName("clinician")] Clinician,
}

/// <summary>A version of an Observation that says something of the treatment.</summary>
public sealed record ObservationFact : Fact
{
    public required ObservationStatus Status { get; init; }

    /// <summary>When it was so; the end of the period where a period was given.</summary>
    public required ClinicalTime Effective { get; init; }

    /// <summary>The start of the period that a count of nights covers; null where it counts since the last reporting check-in.</summary>
    public ClinicalTime? PeriodStart { get; init; }

    public required PerformerKind PerformerKind { get; init; }

    /// <summary>Reference to the performer: the single observations of one performer and day make one check-in. Null where nobody is named.</summary>
    public string? Performer { get; init; }

    /// <summary>True for a panel, which is a check-in by itself.</summary>
    public required bool IsPanel { get; init; }

    /// <summary>Logical ids of the MedicationRequests it is based on; empty: it speaks to every course of the patient.</summary>
    public ImmutableArray<string> BasedOn { get; init; } = [];

    public required ImmutableArray<Statement> Statements { get; init; }
}

/// <summary>A version of the Patient: only what decides.</summary>
public sealed record PatientFact : Fact
{
    /// <summary>The latest day that the record allows (a bare year counts as its last day, so an age is never taken too high); null where unknown.</summary>
    public DateOnly? BirthDate { get; init; }

    public bool Deceased { get; init; }

    public bool Active { get; init; } = true;

    /// <summary>Preferred language of communication, BCP 47.</summary>
    public string? Language { get; init; }

    /// <summary>The surviving record's id where this one was merged into another.</summary>
    public string? ReplacedBy { get; init; }
}
