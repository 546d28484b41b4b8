using System.Collections.Immutable;
using System.Text.Json;
using Hl7.Fhir.Model;
using Titration.Protocol.Facts;
using ObservationStatus = Titration.Protocol.Facts.ObservationStatus;
using R4Status = Hl7.Fhir.Model.ObservationStatus;

namespace Titration.Fhir.Reading;

/// <summary>An Observation about tolerability, as a fact.</summary>
internal sealed class ObservationReader(Vocabulary vocabulary)
{
    private readonly StatementReader _statements = new(vocabulary);

    /// <summary>Whether any of its codes is in the vocabulary, or is of our code system: looked up before the full parse.</summary>
    public bool IsRelevant(JsonElement observation) =>
        IsRelevant(observation.Member("code"u8)) || observation.Items("component"u8).Any(c => IsRelevant(c.Member("code"u8)));

    public ResourceReading Read(ReadingSource source, Observation observation, string contentHash)
    {
        if (observation.Focus.Count > 0)
        {
            return source.Skipped("The observation is about something other than its subject.");
        }

        Remarks remarks = new();
        Modifiers.Check(observation, remarks);
        ObservationStatus? status = StatusOf(observation, remarks);
        string? patient = FhirReference.PatientOf(observation.Subject, "Observation.subject", remarks);
        (ClinicalTime? effective, ClinicalTime? start) = FhirTime.Effective(observation.Effective, remarks);
        (PerformerKind kind, string? performer) = PerformerOf(observation.Performer);
        (ImmutableArray<Statement> statements, bool isPanel) = _statements.Read(observation, remarks);
        if (remarks.Refusal is { } refusal)
        {
            // Entered in error removes the observation, whatever else is wrong with it.
            return status == ObservationStatus.Removed ? source.Deleted() : source.Refused(refusal.Path, refusal.Problem);
        }

        if (statements.IsEmpty && !remarks.UnmappedCodes.IsEmpty && status != ObservationStatus.Removed)
        {
            return source.Unmapped(remarks.UnmappedCodes);
        }

        return source.Understood(
            new ObservationFact
            {
                Source = source.Version(ContentHash.WithoutCodes(contentHash, remarks.UnmappedCodes)),
                Patient = patient!,
                Status = status!.Value,
                Effective = effective!.Value,
                PeriodStart = start,
                PerformerKind = kind,
                Performer = performer,
                IsPanel = isPanel,
                BasedOn = [.. observation.BasedOn.Select(b => FhirReference.IdOf("MedicationRequest", b)).OfType<string>().Distinct(StringComparer.Ordinal)],
                Statements = statements,
            },
            remarks.UnmappedCodes);
    }

    private bool IsRelevant(JsonElement? concept) =>
        concept is { } c && (c.ValueKind != JsonValueKind.Object || IsMalformed(c)
            || c.Codings().Any(code => (vocabulary.MeaningOf(code) is not null || code.System == Codes.Systems.Tolerability) && !vocabulary.Ignores(code)));

    /// <summary>A list of codes that is no list: the full parse says what is wrong.</summary>
    private static bool IsMalformed(JsonElement concept) => concept.Member("coding"u8) is { ValueKind: not JsonValueKind.Array };

    private static ObservationStatus? StatusOf(Observation observation, Remarks remarks)
    {
        if (observation.Status is not { } status)
        {
            remarks.Refuse("Observation.status", "The status is needed.");
            return null;
        }

        return status switch
        {
            R4Status.Registered or R4Status.Preliminary => ObservationStatus.Waits,
            R4Status.Final or R4Status.Amended or R4Status.Corrected => ObservationStatus.Counts,
            R4Status.EnteredInError or R4Status.Cancelled or R4Status.Unknown => ObservationStatus.Removed,
        };
    }

    /// <summary>A clinician's word only where a clinician and no patient or relative is named: the lesser authority where it is unclear.</summary>
    private static (PerformerKind Kind, string? Performer) PerformerOf(List<ResourceReference> performers)
    {
        ImmutableArray<FhirReference> named = [.. performers.Select(p => FhirReference.Parse(p.Reference)).OfType<FhirReference>()];
        FhirReference? patient = named.FirstOrDefault(p => p.Type is "Patient" or "RelatedPerson");
        FhirReference? clinician = named.FirstOrDefault(p => p.Type is "Practitioner" or "PractitionerRole");
        return patient is null && clinician is not null
            ? (PerformerKind.Clinician, clinician.Unversioned)
            : (PerformerKind.Patient, (patient ?? named.FirstOrDefault())?.Unversioned);
    }
}
