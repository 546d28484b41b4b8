using System.Text.Json;
using System.Text.Json.Nodes;

namespace Titration.TestKit.Builders;

/// <summary>
/// FHIR R4 resources as a clinic would send them, on the happy path: a test changes only what it is about.
/// What comes back is an open JSON tree; <see cref="ToUtf8"/> gives the message body.
/// </summary>
public static partial class FhirJson
{
    public const string Tolerability = "https://titration.example.org/fhir/CodeSystem/tolerability";
    public const string Atc = "http://www.whocc.no/atc";
    public const string Snomed = "http://snomed.info/sct";
    public const string Ucum = "http://unitsofmeasure.org";

    private static readonly JsonSerializerOptions Indented = new() { WriteIndented = true };

    /// <summary>The UTF-8 bytes of a resource.</summary>
    public static byte[] ToUtf8(this JsonNode resource, bool indented = false) =>
        JsonSerializer.SerializeToUtf8Bytes(resource, indented ? Indented : JsonSerializerOptions.Default);

    /// <summary>Changes a resource in place and returns it, so that a test can say what is different in one line.</summary>
    public static JsonObject With(this JsonObject resource, Action<JsonObject> change)
    {
        change(resource);
        return resource;
    }

    /// <summary>Takes a member away.</summary>
    public static JsonObject Without(this JsonObject resource, string member)
    {
        resource.Remove(member);
        return resource;
    }

    /// <summary>A coding in a CodeableConcept, with a text where one is given.</summary>
    public static JsonObject Concept(string system, string code, string? text = null)
    {
        JsonObject concept = new() { ["coding"] = new JsonArray(new JsonObject { ["system"] = system, ["code"] = code }) };
        return text is null ? concept : concept.With(c => c["text"] = text);
    }

    /// <summary>A UCUM quantity.</summary>
    public static JsonObject Quantity(decimal value, string unit) =>
        new() { ["value"] = value, ["unit"] = unit, ["system"] = Ucum, ["code"] = unit };

    /// <summary>A patient, an adult unless the test says otherwise.</summary>
    public static JsonObject Patient(string id = "p1", string birthDate = "1990-05-14", string version = "1", string lastUpdated = "2026-02-01T08:00:00Z") =>
        Resource("Patient", id, version, lastUpdated).With(patient =>
        {
            patient["active"] = true;
            patient["birthDate"] = birthDate;
        });

    /// <summary>A Bundle of whole resources, such as a page of a search.</summary>
    public static JsonObject Bundle(string type, params ReadOnlySpan<JsonObject> resources)
    {
        JsonArray entries = [];
        foreach (JsonObject resource in resources)
        {
            entries.Add(new JsonObject
            {
                ["fullUrl"] = $"https://fhir.clinic.example.org/r4/{(string?)resource["resourceType"]}/{(string?)resource["id"]}",
                ["resource"] = resource,
            });
        }

        return new JsonObject { ["resourceType"] = "Bundle", ["type"] = type, ["entry"] = entries };
    }

    /// <summary>A history page that tells of one deletion.</summary>
    public static JsonObject Deletion(string type, string id, string version = "2", string at = "2026-03-20T10:00:00Z") => new()
    {
        ["resourceType"] = "Bundle",
        ["type"] = "history",
        ["entry"] = new JsonArray(new JsonObject
        {
            ["fullUrl"] = $"https://fhir.clinic.example.org/r4/{type}/{id}",
            ["request"] = new JsonObject { ["method"] = "DELETE", ["url"] = $"{type}/{id}" },
            ["response"] = new JsonObject { ["status"] = "204", ["etag"] = $"W/\"{version}\"", ["lastModified"] = at },
        }),
    };

    private static JsonObject Resource(string type, string id, string? version, string lastUpdated) => new()
    {
        ["resourceType"] = type,
        ["id"] = id,
        ["meta"] = version is null
            ? new JsonObject { ["lastUpdated"] = lastUpdated }
            : new JsonObject { ["versionId"] = version, ["lastUpdated"] = lastUpdated },
    };

    private static JsonObject Reference(string reference) => new() { ["reference"] = reference };
}
