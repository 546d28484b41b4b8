using System.Collections.Immutable;
using Titration.Fhir.Reading;
using Titration.Storage.Ledger;

namespace Titration.Worker.Privacy;

/// <summary>Whether a message that nobody could read tells of a patient.</summary>
internal static class PatientTelling
{
    /// <summary>For what the database has set aside.</summary>
    public static Tells Of(string patient) => (content, names) => Of(patient, content, names);

    /// <param name="patient">The logical id.</param>
    /// <param name="content">The bytes.</param>
    /// <param name="names">What the patient is known by. It counts where a message names no patient at all, such as a deletion.</param>
    public static Telling Of(string patient, ReadOnlyMemory<byte> content, IReadOnlySet<string> names)
    {
        ImmutableArray<string> patients = Mentions.Patients(content);
        return patients.Contains(patient, StringComparer.Ordinal) ? (patients.Length == 1 ? Telling.OfPatient : Telling.OfOthersToo)
            : patients.IsEmpty && Mentions.In(content).Any(names.Contains) ? Telling.OfPatient
            : Telling.NotOfPatient;
    }
}
