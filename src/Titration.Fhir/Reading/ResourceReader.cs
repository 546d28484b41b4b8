using System.Text.Json;
using Hl7.Fhir.Model;

namespace Titration.Fhir.Reading;

/// <summary>Reads one resource: cheap filter first, then one strict parse of what is relevant. One instance reads one body.</summary>
internal sealed class ResourceReader(Vocabulary vocabulary, ReadingLimits limits)
{
    private readonly StrictParser _parser = new(limits);
    private readonly ProductFinder _products = new(vocabulary);
    private readonly PrescriptionReader _prescriptions = new(new AmountReader(vocabulary));
    private readonly ObservationReader _observations = new(vocabulary);

    /// <param name="resource">The resource.</param>
    /// <param name="bytes">Its bytes.</param>
    /// <param name="medicationOf">Finds a Medication that came along, by the order's reference.</param>
    public ResourceReading Read(JsonElement resource, ReadOnlyMemory<byte> bytes, Func<string, JsonElement?> medicationOf)
    {
        if (resource.ValueKind != JsonValueKind.Object)
        {
            return new ReadingSource(ResourceHeader.None, bytes).Refused("$", "A resource is needed, as a JSON object.");
        }

        if (!JsonBody.Scan(bytes.Span).IsClean)
        {
            return new ReadingSource(ResourceHeader.None, bytes).Refused("$", "A string holds half of a surrogate pair, or a NUL character.");
        }

        ResourceHeader header = resource.Header();
        ReadingSource source = new(header, bytes);
        return header.Type switch
        {
            "MedicationRequest" => ReadPrescription(source, resource, medicationOf),
            "Observation" => ReadObservation(source, resource),
            "Patient" => Parsed<Patient>(source, patient => PatientReader.Read(source, patient, ContentHash.Of(resource))),
            "Task" => OwnReader.Read(source, resource, Codes.Identifiers.Task),
            "CommunicationRequest" => OwnReader.Read(source, resource, Codes.Identifiers.CommunicationRequest),
            "Medication" => source.Skipped("A Medication is read together with the order that names it."),
            "Bundle" => source.Refused("Bundle.entry.resource", "A Bundle inside a Bundle is not taken apart; send it by itself."),
            { } type when ModelInfo.IsKnownResource(type) => source.Skipped("Resources of this type say nothing of a titration."),
            _ => new ReadingSource(ResourceHeader.None, bytes).Refused("$.resourceType", "The name of a FHIR R4 resource type is needed."),
        };
    }

    private ResourceReading ReadPrescription(ReadingSource source, JsonElement order, Func<string, JsonElement?> medicationOf)
    {
        ProductFinding finding = _products.Find(order, null);
        if (finding is ProductFinding.Elsewhere elsewhere && medicationOf(elsewhere.Reference) is { } medication)
        {
            finding = _products.Find(order, medication);
        }

        return finding switch
        {
            ProductFinding.Known known => Parsed<MedicationRequest>(
                source, parsed => _prescriptions.Read(source, parsed, known, ContentHash.Of(order))),
            ProductFinding.Unknown unknown => source.Unmapped(unknown.Codes),
            ProductFinding.Irrelevant => source.Skipped("The order is for a product that bears on no titration."),
            ProductFinding.Elsewhere { Reference: var reference } => source.Incomplete(reference),
            ProductFinding.Contradictory { Path: var path, Problem: var problem } => Contradictory(source, path, problem),
            _ => throw new System.Diagnostics.UnreachableException(),
        };
    }

    /// <summary>The parse may know better what is wrong.</summary>
    private ResourceReading Contradictory(ReadingSource source, string path, string problem) =>
        Parsed<MedicationRequest>(source, order => order.Status == MedicationRequest.MedicationrequestStatus.EnteredInError
            ? source.Deleted()
            : source.Refused(path, problem));

    private ResourceReading ReadObservation(ReadingSource source, JsonElement observation) =>
        _observations.IsRelevant(observation)
            ? Parsed<Observation>(source, parsed => _observations.Read(source, parsed, ContentHash.Of(observation)))
            : source.Skipped("The observation is about something else.");

    private ResourceReading Parsed<T>(ReadingSource source, Func<T, ResourceReading> read) where T : Resource
    {
        Remarks remarks = new();
        T? resource = _parser.Parse<T>(source, remarks);
        return resource is not null ? read(resource) : source.Refused(remarks.Refusal!.Value.Path, remarks.Refusal.Value.Problem);
    }
}
