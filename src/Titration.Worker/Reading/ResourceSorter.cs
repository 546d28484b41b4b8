using System.Collections.Concurrent;
using System.Text.Json;
using Titration.Fhir.Reading;
using Titration.Worker.Configuration;
using Titration.Worker.Delivery;
using Titration.Worker.Intake;

namespace Titration.Worker.Reading;

/// <summary>A resource that was read by a search.</summary>
/// <param name="Bytes">Its bytes.</param>
/// <param name="Reading">What it turned out to be.</param>
/// <param name="Medication">The Medication that an order refers to; null where it needs none, or it could not be had.</param>
/// <param name="Patient">Whose; empty where that could not be read.</param>
internal sealed record SortedResource(ReadOnlyMemory<byte> Bytes, ResourceReading Reading, byte[]? Medication, string Patient)
{
    public ResourceHeader Header => Reading.Header;

    /// <summary>The message that brings it to the intake: itself, or a Bundle with the Medication that it refers to.</summary>
    public static byte[] Message(byte[] resource, byte[]? medication)
    {
        if (medication is null)
        {
            return resource;
        }

        using MemoryStream body = new();
        body.Write("""{"resourceType":"Bundle","type":"collection","entry":[{"resource":"""u8);
        body.Write(resource);
        body.Write("""},{"resource":"""u8);
        body.Write(medication);
        body.Write("}]}"u8);
        return body.ToArray();
    }
}

/// <summary>Tells what the resources of a search are. A Medication that many orders refer to is fetched once.</summary>
internal sealed class ResourceSorter(Settings settings, References references)
{
    /// <summary>A clinic's products are some hundreds.</summary>
    private const int MostMedications = 5_000;

    private readonly FhirReader _reader = new(settings.Policy.Vocabulary);
    private readonly ConcurrentDictionary<string, byte[]?> _medications = new(StringComparer.Ordinal);

    public async Task<SortedResource> SortAsync(ReadOnlyMemory<byte> bytes, CancellationToken cancellationToken)
    {
        ResourceReading reading = _reader.Read(bytes)[0];
        byte[]? medication = null;
        if (reading is ResourceReading.Incomplete { References: [['M', 'e', 'd', 'i', 'c', 'a', 't', 'i', 'o', 'n', '/', ..] and var reference, ..] })
        {
            medication = await MedicationAsync(reference, cancellationToken);
            reading = medication is null ? reading : _reader.Read(bytes, medication);
        }

        return new SortedResource(bytes, reading, medication, PatientOf(reading, bytes));
    }

    /// <summary>What is known of a patient on the server: birth date and language.</summary>
    public async Task<ResourceReading?> PatientAsync(string patient, CancellationToken cancellationToken) =>
        await references.FetchAsync($"Patient/{patient}", cancellationToken) is Fetched.Found found ? _reader.Read(found.Utf8)[0] : null;

    private async Task<byte[]?> MedicationAsync(string reference, CancellationToken cancellationToken)
    {
        if (_medications.TryGetValue(reference, out byte[]? known))
        {
            return known;
        }

        byte[]? fetched = await references.FetchAsync(reference, cancellationToken) is Fetched.Found found ? found.Utf8 : null;
        if (_medications.Count < MostMedications)
        {
            _medications[reference] = fetched;
        }

        return fetched;
    }

    private static string PatientOf(ResourceReading reading, ReadOnlyMemory<byte> bytes)
    {
        if (reading is ResourceReading.Understood understood)
        {
            return understood.Fact.Patient;
        }

        try
        {
            using JsonDocument document = JsonDocument.Parse(bytes);
            string? reference = (ServerAbilities.Member(document.RootElement, "subject") ?? ServerAbilities.Member(document.RootElement, "for")) is { } subject
                ? ServerAbilities.Text(subject, "reference")
                : null;
            return reference?.Split('/') is [.., "Patient", { Length: > 0 and <= 64 } id] ? id : "";
        }
        catch (JsonException)
        {
            return "";
        }
    }
}
