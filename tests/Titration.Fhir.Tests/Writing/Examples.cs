using Hl7.Fhir.Model;
using Titration.Fhir.Writing;
using Titration.TestKit;

namespace Titration.Fhir.Tests.Writing;

/// <summary>The files of contracts/fhir/examples: what the service writes, as a server would hold it.</summary>
internal static class Examples
{
    public static readonly string Folder = Repository.File("contracts", "fhir", "examples");

    /// <summary>What the service reads; written by hand.</summary>
    public static readonly string[] Inputs = ["MedicationRequest-order.json", "Observation-check-in.json"];

    /// <summary>All that is written in all scenarios, by file name.</summary>
    public static IReadOnlyDictionary<string, Resource> Written()
    {
        SortedDictionary<string, Resource> files = new(StringComparer.Ordinal)
        {
            ["Device-service.json"] = DeviceWriter.Write(Scenario.Clinic, Scenario.Protocol, "1.0.0").Resource,
            ["Bundle-transaction.json"] = TransactionBundle.Of(Scenario.Write("step-up")),
        };
        foreach (string name in Scenario.All.Keys)
        {
            foreach (DomainResource resource in AsStored([.. Scenario.Write(name)]))
            {
                files[$"{resource.TypeName}-{name}.json"] = resource;
            }
        }

        return files;
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
