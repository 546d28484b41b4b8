using System.Collections.Immutable;
using System.Text.Json;

namespace Titration.Fhir.Reading;

/// <summary>
/// Reads FHIR R4 JSON into facts. Pure and safe for many threads: whatever the bytes are, every resource among them gets a reading,
/// and nothing is thrown.
/// </summary>
/// <param name="vocabulary">The codes it understands.</param>
/// <param name="limits">How much it reads at once.</param>
public sealed class FhirReader(Vocabulary vocabulary, ReadingLimits? limits = null)
{
    private readonly ReadingLimits _limits = limits ?? new ReadingLimits();

    /// <summary>Reads a resource, or every resource of a Bundle in its order. An empty Bundle gives none.</summary>
    /// <param name="body">Plain FHIR JSON in UTF-8. The readings keep slices of it.</param>
    public ImmutableArray<ResourceReading> Read(ReadOnlyMemory<byte> body) => Read(body, _ => null);

    /// <summary>Reads an order together with the Medication that it refers to, fetched meanwhile.</summary>
    public ResourceReading Read(ReadOnlyMemory<byte> medicationRequest, ReadOnlyMemory<byte> medication)
    {
        ReadingSource source = new(ResourceHeader.None, medicationRequest);
        using JsonDocument? fetched = JsonBody.Problem(medication.Span, _limits) is null ? JsonBody.Parse(medication, duplicates: false) : null;
        if (fetched is null || !JsonBody.Scan(medication.Span).IsClean || fetched.RootElement.Text("resourceType"u8) != "Medication")
        {
            return source.Refused("Medication", "What was fetched is no Medication in FHIR R4 JSON.");
        }

        return Read(medicationRequest, _ => fetched.RootElement) is [var reading]
            ? reading
            : source.Refused("$", "One MedicationRequest is needed.");
    }

    private ImmutableArray<ResourceReading> Read(ReadOnlyMemory<byte> body, Func<string, JsonElement?> medicationOf)
    {
        ReadingSource whole = new(ResourceHeader.None, body);
        if (JsonBody.Problem(body.Span, _limits) is { } problem)
        {
            return [whole.Refused("$", problem)];
        }

        using JsonDocument? strict = JsonBody.Parse(body, duplicates: false);
        using JsonDocument? tolerant = strict is null ? JsonBody.Parse(body, duplicates: true) : null;
        if ((strict ?? tolerant) is not { } document)
        {
            return [whole.Refused("$", "The body is not JSON, is cut off, or is nested too deep.")];
        }

        try
        {
            return Read(document.RootElement, body, hasDuplicates: strict is null, medicationOf);
        }
        catch (InvalidOperationException)
        {
            return [whole.Refused("$", "A member's name or a string outside the resources cannot be decoded.")];
        }
    }

    private ImmutableArray<ResourceReading> Read(
        JsonElement root, ReadOnlyMemory<byte> body, bool hasDuplicates, Func<string, JsonElement?> medicationOf)
    {
        ResourceReader resources = new(vocabulary, _limits);
        if (root.Text("resourceType"u8) == "Bundle")
        {
            return new BundleReader(body, resources, _limits).Read(root, hasDuplicates);
        }

        return hasDuplicates
            ? [new ReadingSource(ResourceHeader.None, body).Refused("$", "A member of an object occurs twice, or its name cannot be decoded.")]
            : [resources.Read(root, body, medicationOf)];
    }
}
