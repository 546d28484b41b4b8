using System.Text.Json;

namespace Titration.Sandbox.Rest;

/// <summary>Replaces what entries of a transaction call each other by the ids they got.</summary>
internal static class BundleReferences
{
    // Where R4 lets a reference, uri or url stand. A string that happens to look like one, an identifier's value above all, is left alone.
    private static readonly string[] Names = ["reference", "url", "valueUri", "valueUrl"];

    /// <param name="references">From the <c>fullUrl</c> of an entry to <c>Type/id</c>.</param>
    /// <exception cref="RefusedException">A reference to a <c>urn:uuid:</c> that no entry has: it could never be resolved later.</exception>
    public static JsonElement Resolve(JsonElement resource, IReadOnlyDictionary<string, string> references)
    {
        using JsonDocument document = JsonDocument.Parse(FhirJson.Write(writer => WriteProperties(writer, resource, references)));
        return document.RootElement.Clone();
    }

    private static void WriteProperties(Utf8JsonWriter writer, JsonElement item, IReadOnlyDictionary<string, string> references)
    {
        foreach (JsonProperty property in item.EnumerateObject())
        {
            writer.WritePropertyName(property.Name);
            if (property.Value.ValueKind == JsonValueKind.String && Names.Contains(property.Name))
            {
                writer.WriteStringValue(Resolved(property, references));
            }
            else
            {
                Write(writer, property.Value, references);
            }
        }
    }

    private static void Write(Utf8JsonWriter writer, JsonElement value, IReadOnlyDictionary<string, string> references)
    {
        switch (value.ValueKind)
        {
            case JsonValueKind.Object:
                writer.WriteStartObject();
                WriteProperties(writer, value, references);
                writer.WriteEndObject();
                break;
            case JsonValueKind.Array:
                writer.WriteStartArray();
                foreach (JsonElement item in value.EnumerateArray())
                {
                    Write(writer, item, references);
                }

                writer.WriteEndArray();
                break;
            default:
                value.WriteTo(writer);
                break;
        }
    }

    private static string Resolved(JsonProperty property, IReadOnlyDictionary<string, string> references)
    {
        string text = property.Value.GetString()!;
        if (references.TryGetValue(text, out string? resolved))
        {
            return resolved;
        }

        return property.Name == "reference" && text.StartsWith("urn:uuid:", StringComparison.Ordinal)
            ? throw RefusedException.BadRequest("not-found", "A reference names a urn:uuid that no entry of the transaction has.")
            : text;
    }
}
