using Hl7.Fhir.Model;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>A Patient, as far as it decides anything.</summary>
internal static class PatientReader
{
    public static ResourceReading Read(ReadingSource source, Patient patient, string contentHash)
    {
        Remarks remarks = new();
        Modifiers.Check(patient, remarks);
        DateOnly? birthDate = FhirTime.LatestDay(patient.BirthDate);
        if (patient.BirthDate is not null && birthDate is null)
        {
            remarks.Refuse("Patient.birthDate", "The birth date must be one of a living person's.");
        }

        if (remarks.Refusal is { } refusal)
        {
            return source.Refused(refusal.Path, refusal.Problem);
        }

        return source.Understood(
            new PatientFact
            {
                Source = source.Version(contentHash),
                Patient = source.Header.Id!,
                BirthDate = birthDate,
                Deceased = patient.Deceased is FhirDateTime or FhirBoolean { Value: true },
                Active = patient.Active ?? true,
                Language = LanguageOf(patient),
                ReplacedBy = patient.Link
                    .Where(l => l.Type == Patient.LinkType.ReplacedBy)
                    .Select(l => FhirReference.IdOf("Patient", l.Other))
                    .FirstOrDefault(id => id is not null),
            },
            []);
    }

    /// <summary>The preferred language; the only one where none is preferred.</summary>
    private static string? LanguageOf(Patient patient)
    {
        Patient.CommunicationComponent? communication = patient.Communication.Find(c => c.Preferred == true)
            ?? (patient.Communication is [var only] && only.Preferred != false ? only : null);
        return communication?.Language?.Coding.Find(c => c.System == Codes.Systems.Language)?.Code;
    }
}
