using System.Text.Json;

namespace Titration.Sandbox.Rest;

/// <summary>One entry of a Bundle that was sent to the base.</summary>
/// <param name="Request">Null where the entry has none, which only a batch survives.</param>
internal sealed record BundleEntry(int Index, string? FullUrl, FhirRequest? Request)
{
    private const string AnyValidResource = """{"resourceType":"Parameters","id":"any"}""";

    /// <summary>Reads the entries of a Bundle, having checked all of it but the resources inside, so that in a batch one bad resource spoils one entry.</summary>
    public static IReadOnlyList<BundleEntry> Of(JsonElement bundle, string baseUrl)
    {
        using (JsonDocument shell = JsonDocument.Parse(FhirJson.Write(writer => WriteShell(writer, bundle))))
        {
            FhirJson.Validate(shell.RootElement);
        }

        return bundle.TryGetProperty("entry", out JsonElement entries)
            ? [.. entries.EnumerateArray().Select((entry, index) => Read(entry, index, baseUrl))]
            : [];
    }

    private static BundleEntry Read(JsonElement entry, int index, string baseUrl)
    {
        FhirRequest? request = null;
        if (entry.TryGetProperty("request", out JsonElement asked))
        {
            string url = FhirJson.Text(asked, "url")!;
            string relative = url.StartsWith($"{baseUrl}/", StringComparison.Ordinal) ? url[baseUrl.Length..] : url;
            string[] parts = relative.Split('?', 2);
            request = new FhirRequest(FhirJson.Text(asked, "method")!, Uri.UnescapeDataString(parts[0]), parts.Length > 1 ? parts[1] : "", baseUrl)
            {
                Body = entry.TryGetProperty("resource", out JsonElement resource) ? resource : null,
                IfMatch = FhirJson.Text(asked, "ifMatch"),
                IfNoneMatch = FhirJson.Text(asked, "ifNoneMatch"),
                IfNoneExist = FhirJson.Text(asked, "ifNoneExist"),
            };
        }

        return new BundleEntry(index, FhirJson.Text(entry, "fullUrl"), request);
    }

    private static void WriteShell(Utf8JsonWriter writer, JsonElement bundle)
    {
        foreach (JsonProperty property in bundle.EnumerateObject())
        {
            if (property.Name != "entry" || property.Value.ValueKind != JsonValueKind.Array)
            {
                property.WriteTo(writer);
                continue;
            }

            writer.WriteStartArray("entry");
            foreach (JsonElement entry in property.Value.EnumerateArray())
            {
                WriteEntry(writer, entry);
            }

            writer.WriteEndArray();
        }
    }

    private static void WriteEntry(Utf8JsonWriter writer, JsonElement entry)
    {
        if (entry.ValueKind != JsonValueKind.Object)
        {
            entry.WriteTo(writer);
            return;
        }

        writer.WriteStartObject();
        foreach (JsonProperty property in entry.EnumerateObject())
        {
            if (property.Name == "resource" && property.Value.ValueKind == JsonValueKind.Object)
            {
                writer.WritePropertyName("resource");
                writer.WriteRawValue(AnyValidResource);
            }
            else
            {
                property.WriteTo(writer);
            }
        }

        writer.WriteEndObject();
    }
}
