using System.Text.Json;
using Titration.Sandbox.Searching;

namespace Titration.Sandbox.Rest;

/// <summary>The CapabilityStatement, written from the same table that searching uses.</summary>
internal static class Capability
{
    /// <summary>When what the statement says last changed.</summary>
    private const string Date = "2026-11-25";

    public static byte[] Statement(string baseUrl) => FhirJson.Write(writer =>
    {
        writer.WriteString("resourceType", "CapabilityStatement");
        writer.WriteString("status", "active");
        writer.WriteString("date", Date);
        writer.WriteString("kind", "instance");
        writer.WriteStartObject("implementation");
        writer.WriteString("description", "Embedded sandbox of the titration service: for trying it out, not evidence of interoperability");
        writer.WriteString("url", baseUrl);
        writer.WriteEndObject();
        writer.WriteString("fhirVersion", "4.0.1");
        WriteList(writer, "format", ["application/fhir+json"]);
        writer.WriteStartArray("rest");
        WriteRest(writer);
        writer.WriteEndArray();
    });

    private static void WriteRest(Utf8JsonWriter writer)
    {
        writer.WriteStartObject();
        writer.WriteString("mode", "server");
        writer.WriteString(
            "documentation",
            "No security: for the loopback interface only. Unknown parameters are refused. Searches page with _count and next links, in the order of writing. Nothing is deleted.");
        writer.WriteStartArray("resource");
        foreach (string type in SearchParameters.Types)
        {
            WriteResource(writer, type);
        }

        writer.WriteEndArray();
        WriteInteractions(writer, ["transaction", "batch"]);
        WriteParameters(writer, [("_id", "token"), ("_lastUpdated", "date")]);
        writer.WriteEndObject();
    }

    private static void WriteResource(Utf8JsonWriter writer, string type)
    {
        writer.WriteStartObject();
        writer.WriteString("type", type);
        WriteInteractions(writer, ["read", "vread", "update", "history-instance", "create", "search-type"]);
        writer.WriteString("versioning", "versioned");
        writer.WriteBoolean("readHistory", true);
        writer.WriteBoolean("updateCreate", true);
        writer.WriteBoolean("conditionalCreate", true);
        writer.WriteString("conditionalRead", "not-match");
        writer.WriteBoolean("conditionalUpdate", false);
        writer.WriteString("conditionalDelete", "not-supported");
        WriteParameters(writer, [.. SearchParameters.For(type).Select(p => (p.Name, p.IsReference ? "reference" : "token"))]);
        writer.WriteEndObject();
    }

    private static void WriteInteractions(Utf8JsonWriter writer, string[] codes)
    {
        writer.WriteStartArray("interaction");
        foreach (string code in codes)
        {
            writer.WriteStartObject();
            writer.WriteString("code", code);
            writer.WriteEndObject();
        }

        writer.WriteEndArray();
    }

    private static void WriteParameters(Utf8JsonWriter writer, (string Name, string Type)[] parameters)
    {
        if (parameters.Length == 0)
        {
            return;
        }

        writer.WriteStartArray("searchParam");
        foreach ((string name, string type) in parameters)
        {
            writer.WriteStartObject();
            writer.WriteString("name", name);
            writer.WriteString("type", type);
            writer.WriteEndObject();
        }

        writer.WriteEndArray();
    }

    private static void WriteList(Utf8JsonWriter writer, string name, string[] values)
    {
        writer.WriteStartArray(name);
        foreach (string value in values)
        {
            writer.WriteStringValue(value);
        }

        writer.WriteEndArray();
    }
}
