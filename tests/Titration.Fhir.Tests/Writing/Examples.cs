using Hl7.Fhir.Model;
using Titration.Fhir.Writing;
using Titration.TestKit;
using FhirTask = Hl7.Fhir.Model.Task;

namespace Titration.Fhir.Tests.Writing;

/// <summary>The files of contracts/fhir/examples: what the service writes, as a server would hold it.</summary>
internal static class Examples
{
    public static readonly string Folder = Repository.File("contracts", "fhir", "examples");

    /// <summary>What the service reads; written by hand.</summary>
    public static readonly string[] Inputs = ["MedicationRequest-order.json", "MedicationRequest-changed.json", "Observation-check-in.json", "Observation-single.json", "Patient-known.json"];

    /// <summary>All that is written in all scenarios, by file name.</summary>
    public static IReadOnlyDictionary<string, Resource> Written()
    {
        SortedDictionary<string, Resource> files = new(StringComparer.Ordinal)
        {
            ["Device-service.json"] = DeviceWriter.Write(Scenario.Clinic, Scenario.Protocol, "1.0.0").Resource,
        };
        DomainResource digest = Scenario.Digest().Resource;
        digest.Id = Scenario.Digest().Uuid.ToString();
        files["Task-overdue-digest.json"] = digest;
        foreach (string name in Scenario.All.Keys)
        {
            foreach (DomainResource resource in AsStored([.. Scenario.Write(name)]))
            {
                files[$"{resource.TypeName}-{name}.json"] = resource;
            }
        }

        foreach ((string name, FhirTask answered) in Answers())
        {
            files[$"Task-answer-{name}.json"] = answered;
        }

        return files;
    }

    /// <summary>The Task of the step up as clinicians answer it; the service reads this and never writes it.</summary>
    public static IEnumerable<(string Name, FhirTask Task)> Answers()
    {
        yield return ("approved", Answered(FhirTask.TaskStatus.Completed, "approved", "Approved", ("resulting-prescription", "MedicationRequest/rx-2/_history/1")));
        yield return ("declined", Answered(FhirTask.TaskStatus.Completed, "declined", "Declined", ("approver", "PractitionerRole/role-1")));

        // Declined by the Task's status alone, with the reason that the record keeps.
        FhirTask rejected = Answered(FhirTask.TaskStatus.Rejected, "declined", "Declined");
        rejected.Output.Clear();
        rejected.StatusReason = new CodeableConcept("https://titration.example.org/fhir/CodeSystem/decline-reason", "clinical-judgement", "Clinical judgement", text: null);
        yield return ("rejected", rejected);
    }

    private static FhirTask Answered(FhirTask.TaskStatus status, string decision, string display, params IEnumerable<(string Code, string Reference)> more)
    {
        const string io = "https://titration.example.org/fhir/CodeSystem/task-io";
        FhirTask task = AsStored(Scenario.Write("step-up")).OfType<FhirTask>().Single();
        task.Status = status;
        task.BusinessStatus = new CodeableConcept("https://titration.example.org/fhir/CodeSystem/task-business-status", decision, display, text: null);
        task.LastModified = "2026-03-18T09:30:00Z";
        task.Output =
        [
            new FhirTask.OutputComponent
            {
                Type = new CodeableConcept(io, "decision"),
                Value = new CodeableConcept("https://titration.example.org/fhir/CodeSystem/approval-decision", decision, display, text: null),
            },
            .. more.Select(m => new FhirTask.OutputComponent { Type = new CodeableConcept(io, m.Code), Value = new ResourceReference(m.Reference) }),
        ];
        return task;
    }

    /// <summary>With ids as a server gives them and the references resolved to them.</summary>
    public static IEnumerable<DomainResource> AsStored(IReadOnlyList<OutgoingResource> resources)
    {
        Dictionary<string, string> ids = resources.ToDictionary(
            r => r.Placeholder, r => $"{r.Resource.TypeName}/{r.Resource.Id ?? r.Uuid.ToString()}", StringComparer.Ordinal);
        foreach (OutgoingResource resource in resources)
        {
            DomainResource stored = OutgoingReferences.Resolve(resource.Resource, ids);
            stored.Id ??= resource.Uuid.ToString();
            yield return stored;
        }
    }
}
