using System.Buffers;
using System.Globalization;
using System.Text.Encodings.Web;
using System.Text.Json;

namespace Titration.Sandbox.Storing;

/// <summary>Writes a resource with the id, version and instant the store gives it, replacing any the client sent; all else stays as it came.</summary>
internal static class Stamp
{
    /// <summary>Leaves letters of every script readable. The JSON is never placed in HTML.</summary>
    public static JsonWriterOptions Writing { get; } = new() { Encoder = JavaScriptEncoder.UnsafeRelaxedJsonEscaping, SkipValidation = true };

    public static byte[] Apply(JsonElement resource, string id, int version, DateTimeOffset lastUpdated)
    {
        ArrayBufferWriter<byte> buffer = new();
        using (Utf8JsonWriter writer = new(buffer, Writing))
        {
            writer.WriteStartObject();
            writer.WriteString("resourceType", resource.GetProperty("resourceType").GetString());
            writer.WriteString("id", id);
            WriteMeta(writer, resource, version, lastUpdated);
            foreach (JsonProperty property in resource.EnumerateObject().Where(p => p.Name is not ("resourceType" or "id" or "meta")))
            {
                property.WriteTo(writer);
            }

            writer.WriteEndObject();
        }

        return buffer.WrittenSpan.ToArray();
    }

    private static void WriteMeta(Utf8JsonWriter writer, JsonElement resource, int version, DateTimeOffset lastUpdated)
    {
        writer.WriteStartObject("meta");
        writer.WriteString("versionId", version.ToString(CultureInfo.InvariantCulture));
        writer.WriteString("lastUpdated", lastUpdated.ToString("yyyy-MM-dd'T'HH:mm:ss.fff'Z'", CultureInfo.InvariantCulture));
        if (resource.TryGetProperty("meta", out JsonElement meta))
        {
            foreach (JsonProperty property in meta.EnumerateObject().Where(p => p.Name.TrimStart('_') is not ("versionId" or "lastUpdated")))
            {
                property.WriteTo(writer);
            }
        }

        writer.WriteEndObject();
    }
}
