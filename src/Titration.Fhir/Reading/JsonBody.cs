using System.Runtime.InteropServices;
using System.Text.Json;
using System.Text.Unicode;

namespace Titration.Fhir.Reading;

/// <summary>What is checked of JSON text before anything in it is believed.</summary>
internal static class JsonBody
{
    /// <summary>FHIR needs about 20.</summary>
    private const int DeepestNesting = 64;

    private static readonly JsonDocumentOptions Strict = new() { MaxDepth = DeepestNesting, AllowDuplicateProperties = false };
    private static readonly JsonDocumentOptions Tolerant = new() { MaxDepth = DeepestNesting };

    /// <summary>What is wrong with a body as text, or null.</summary>
    public static string? Problem(ReadOnlySpan<byte> body, ReadingLimits limits) =>
        body.Length > limits.BodyBytes ? $"The body is larger than {limits.BodyBytes} bytes; send less at a time."
        : body.IsEmpty ? "The body is empty; one FHIR R4 resource in JSON is needed."
        : body.StartsWith("\uFEFF"u8) ? "The body begins with a byte order mark; UTF-8 without one is needed."
        : !Utf8.IsValid(body) ? "The body is not valid UTF-8."
        : null;

    /// <summary>The document, or null where it is no JSON or (<paramref name="duplicates"/> false) a member occurs twice in an object.</summary>
    public static JsonDocument? Parse(ReadOnlyMemory<byte> body, bool duplicates)
    {
        try
        {
            return JsonDocument.Parse(body, duplicates ? Tolerant : Strict);
        }
        catch (Exception exception) when (exception is JsonException or InvalidOperationException)
        {
            // The second: a member's name with half of a surrogate pair cannot be compared with the others.
            return null;
        }
    }

    /// <summary>The bytes of an element, as a slice of the body it was parsed from.</summary>
    public static ReadOnlyMemory<byte> Slice(ReadOnlyMemory<byte> body, JsonElement element)
    {
        ReadOnlySpan<byte> raw = JsonMarshal.GetRawUtf8Value(element);
        body.Span.Overlaps(raw, out int offset);
        return body.Slice(offset, raw.Length);
    }

    /// <summary>
    /// The JSON tokens of a resource, and whether every string in it can be decoded and stored: half of a surrogate pair or a NUL
    /// character, both only possible as escapes, cannot.
    /// </summary>
    public static (int Tokens, bool IsClean) Scan(ReadOnlySpan<byte> resource)
    {
        int tokens = 0;
        bool clean = true;
        Utf8JsonReader reader = new(resource, new JsonReaderOptions { MaxDepth = DeepestNesting });
        while (reader.Read())
        {
            tokens++;
            clean = clean && (!reader.ValueIsEscaped || IsClean(ref reader));
        }

        return (tokens, clean);
    }

    private static bool IsClean(ref Utf8JsonReader reader)
    {
        try
        {
            return reader.GetString()?.Contains('\0') != true;
        }
        catch (InvalidOperationException)
        {
            return false;
        }
    }
}
