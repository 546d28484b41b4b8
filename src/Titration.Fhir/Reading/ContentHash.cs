using System.Buffers;
using System.Collections.Immutable;
using System.Security.Cryptography;
using System.Text;
using System.Text.Json;

namespace Titration.Fhir.Reading;

/// <summary>
/// SHA-256 of a resource in one canonical form: members in ordinal order, no whitespace, strings escaped in one way, numbers as they
/// were written (in FHIR 1.0 and 1.00 differ). The same version written out again by another program has the same hash.
/// </summary>
internal static class ContentHash
{
    /// <summary>The hash in lower-case hexadecimal.</summary>
    public static string Of(JsonElement resource)
    {
        ArrayBufferWriter<byte> canonical = new(4096);
        using (Utf8JsonWriter writer = new(canonical, new JsonWriterOptions { SkipValidation = true }))
        {
            Write(resource, writer);
        }

        return Convert.ToHexStringLower(SHA256.HashData(canonical.WrittenSpan));
    }

    /// <summary>
    /// The hash of a resource of which not every code was understood: once a mapping knows them, the same resource says something else,
    /// and must not be taken for what is there already.
    /// </summary>
    public static string WithoutCodes(string hash, ImmutableArray<SystemCode> unmapped) => unmapped.IsEmpty
        ? hash
        : Convert.ToHexStringLower(SHA256.HashData(Encoding.UTF8.GetBytes(
            $"{hash}\n{string.Join('\n', unmapped.Select(c => $"{c.System}|{c.Code}").Order(StringComparer.Ordinal))}")));

    private static void Write(JsonElement element, Utf8JsonWriter writer)
    {
        switch (element.ValueKind)
        {
            case JsonValueKind.Object:
                WriteObject(element, writer);
                break;
            case JsonValueKind.Array:
                writer.WriteStartArray();
                foreach (JsonElement item in element.EnumerateArray())
                {
                    Write(item, writer);
                }

                writer.WriteEndArray();
                break;
            default:
                // Numbers are copied as they were written, strings are decoded and encoded again.
                element.WriteTo(writer);
                break;
        }
    }

    private static void WriteObject(JsonElement element, Utf8JsonWriter writer)
    {
        // A member's name is decoded each time that it is asked for.
        string[] names = new string[element.GetPropertyCount()];
        JsonElement[] values = new JsonElement[names.Length];
        int next = 0;
        foreach (JsonProperty member in element.EnumerateObject())
        {
            names[next] = member.Name;
            values[next++] = member.Value;
        }

        Array.Sort(names, values, StringComparer.Ordinal);
        writer.WriteStartObject();
        for (int i = 0; i < names.Length; i++)
        {
            writer.WritePropertyName(names[i]);
            Write(values[i], writer);
        }

        writer.WriteEndObject();
    }
}
