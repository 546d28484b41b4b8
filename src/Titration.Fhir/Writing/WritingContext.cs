using System.Collections.Immutable;
using System.Globalization;
using Hl7.Fhir.Model;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Writing;

/// <summary>What all resources of one communication share.</summary>
internal sealed class WritingContext
{
    private const string DeviceDisplay = "Titration protocol service";

    public WritingContext(OutgoingCommunication communication, ClinicIdentity clinic, Wording wording)
    {
        Communication = communication;
        Clinic = clinic;
        Staff = wording.In(clinic.Language);
        ToPatient = wording.In(communication.PatientLanguage ?? clinic.Language);
        Evidence = [.. communication.Intent.Evidence.DistinctBy(e => e.Reference, StringComparer.Ordinal)];
        Sources = [.. Order.Concat(Evidence).DistinctBy(e => e.Reference, StringComparer.Ordinal)];
    }

    public OutgoingCommunication Communication { get; }

    public ClinicIdentity Clinic { get; }

    public CommunicationIntent Intent => Communication.Intent;

    /// <summary>The words for the clinic's staff.</summary>
    public WordingLanguage Staff { get; }

    /// <summary>The words for the patient.</summary>
    public WordingLanguage ToPatient { get; }

    /// <summary>The exact versions it rests on, each once.</summary>
    public ImmutableArray<ResourceVersion> Evidence { get; }

    /// <summary>The order's version and the evidence, each once.</summary>
    public ImmutableArray<ResourceVersion> Sources { get; }

    /// <summary>A referral to a clinician, not the message that tells the patient to stop.</summary>
    public bool IsReferral => Intent.Kind == CommunicationKind.SafetyReferral && Intent.Audience != Audience.Patient;

    /// <summary>When it is due: for what somebody at the clinic has to do and is not urgent, never on a day when nobody is there.</summary>
    public DateTimeOffset? Due =>
        Intent is { Due: { } due, Priority: Priority.Routine } && (Intent.HasTask || Intent.Reminds is not null) ? Clinic.Calendar.Moved(due, Clinic.Zone) : Intent.Due;

    public string AuthoredOn => FhirText.DateTime(Communication.AsOf);

    public Identifier Decision => new(OutgoingCodes.DecisionNaming, Communication.DecisionId.ToString());

    /// <summary>Never with a display: that would be the patient's name.</summary>
    public ResourceReference Patient => new($"Patient/{Communication.Patient}");

    public ResourceReference Device => DeviceOf(Clinic);

    public ResourceReference Organization => new(Clinic.Organization);

    /// <summary>The prescriber's reference where it can own a Task.</summary>
    public string? Prescriber =>
        OutgoingReferences.IsTo(Communication.Prescriber, "Practitioner", "PractitionerRole") ? Communication.Prescriber : null;

    public string Owner => Intent.Audience == Audience.Clinic || Intent.Overdue ? Clinic.Pool : Prescriber ?? Clinic.Pool;

    private IEnumerable<ResourceVersion> Order => Communication.Order is { } order ? [order] : [];

    public static ResourceReference DeviceOf(ClinicIdentity clinic) => new($"Device/{clinic.DeviceId}") { Display = DeviceDisplay };

    public Guid UuidOf(OutgoingRole role) => OutgoingResource.UuidOf(Communication.Key, role);

    public string DosageText(Step step, WordingLanguage words) =>
        words.Dosage(step, Communication.Course?.Ingredient, Communication.Protocol.FingertipUnitGrams);

    /// <summary>The message itself, to whom it is for.</summary>
    public string Message() => Render(toPatient: Intent.Audience == Audience.Patient);

    /// <summary>What the clinician is told: what the Task is for.</summary>
    public string StaffText() => Render(toPatient: !Staff.Has(Intent.Template, toPatient: false));

    private string Render(bool toPatient)
    {
        WordingLanguage words = toPatient ? ToPatient : Staff;
        return FhirText.Clean(words.Render(Intent.Template, toPatient, Values(words, toPatient)));
    }

    private Dictionary<string, string> Values(WordingLanguage words, bool toPatient)
    {
        Dictionary<string, string> values = new(StringComparer.Ordinal) { ["clinic"] = Clinic.Name };
        if (Communication.Reason is { } reason)
        {
            values["reason"] = reason;
        }

        if (Due is { } due)
        {
            values["due"] = toPatient ? words.Date(ClinicZone.DateOf(due, Clinic.Zone)) : words.DateTime(due, Clinic.Zone);
        }

        foreach ((string name, string value) in Intent.Values)
        {
            values[name] = DateOnly.TryParseExact(value, "yyyy-MM-dd", CultureInfo.InvariantCulture, DateTimeStyles.None, out DateOnly date)
                ? words.Date(date)
                : value;
        }

        if ((Intent.Finding ?? Intent.Values.GetValueOrDefault("finding")) is { } finding)
        {
            values["finding"] = words.Finding(finding);
        }

        Add(values, "current", Communication.CurrentStep, words);
        Add(values, "proposed", Intent.Proposed, words);
        return values;
    }

    private void Add(Dictionary<string, string> values, string name, Step? step, WordingLanguage words)
    {
        if (step is not null)
        {
            values[name] = DosageText(step, words);
        }
    }
}
