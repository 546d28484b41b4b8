using System.Globalization;
using Hl7.Fhir.Model;
using Titration.Protocol.Facts;
using FhirTask = Hl7.Fhir.Model.Task;

namespace Titration.Fhir.Writing;

/// <summary>Tells the clinic's pool how many tasks wait in it. It names no patient and no task: it is for a list that everybody sees.</summary>
public static class DigestWriter
{
    /// <param name="clinic">The clinic.</param>
    /// <param name="words">The staff's words.</param>
    /// <param name="waiting">How many tasks wait, 1 or more.</param>
    /// <param name="since">Since when the first of them does.</param>
    /// <param name="at">Now: its clinic-local date is the digest's identity.</param>
    public static OutgoingResource Write(ClinicIdentity clinic, WordingLanguage words, int waiting, DateTimeOffset since, DateTimeOffset at)
    {
        Guid uuid = DerivedId.Of("digest", clinic.Deployment, ClinicZone.DateOf(at, clinic.Zone).ToString("yyyy-MM-dd", CultureInfo.InvariantCulture));
        string authoredOn = FhirText.DateTime(at);
        string description = FhirText.Clean(words.Render(WordingTexts.Digest, toPatient: false, new Dictionary<string, string>(StringComparer.Ordinal)
        {
            ["count"] = waiting.ToString(CultureInfo.InvariantCulture),
            ["due"] = words.Date(ClinicZone.DateOf(since, clinic.Zone)),
            ["clinic"] = clinic.Name,
        }));
        FhirTask digest = new()
        {
            Text = FhirText.Narrative(description),
            Identifier = [new Identifier(OutgoingCodes.DigestNaming, uuid.ToString())],
            Status = FhirTask.TaskStatus.Requested,
            Intent = FhirTask.TaskIntent.Order,
            Priority = RequestPriority.Routine,
            Code = OutgoingCodes.Copy(OutgoingCodes.OverdueDigest),
            Description = description,
            AuthoredOn = authoredOn,
            LastModified = authoredOn,
            Requester = WritingContext.DeviceOf(clinic),
            Owner = new ResourceReference(clinic.Pool),
        };
        return OutgoingResource.Create(OutgoingRole.Task, digest, uuid, OutgoingCodes.DigestNaming);
    }
}
