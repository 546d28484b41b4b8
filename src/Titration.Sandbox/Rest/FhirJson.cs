using System.Buffers;
using System.Collections.Immutable;
using System.Runtime.InteropServices;
using System.Text.Json;
using System.Text.Unicode;
using Hl7.Fhir.Model;
using Hl7.Fhir.Serialization;
using Hl7.Fhir.Utility;
using Titration.Sandbox.Storing;

namespace Titration.Sandbox.Rest;

/// <summary>Reads FHIR JSON strictly, and writes the few resources the endpoint makes itself.</summary>
internal static class FhirJson
{
    private const int MaxIssues = 20;

    private static readonly FhirJsonDeserializer Strict = new(new DeserializerSettings().UsingMode(DeserializationMode.Strict));

    private static readonly JsonDocumentOptions Reading = new() { AllowDuplicateProperties = false };

    /// <exception cref="RefusedException">The bytes are not one JSON object.</exception>
    public static JsonDocument Parse(ReadOnlyMemory<byte> utf8)
    {
        try
        {
            RefuseBrokenText(utf8.Span);
            JsonDocument document = JsonDocument.Parse(utf8, Reading);
            return document.RootElement.ValueKind == JsonValueKind.Object
                ? document
                : throw RefusedException.BadRequest("structure", "The body is not a JSON object.");
        }
        catch (JsonException problem)
        {
            throw RefusedException.BadRequest(
                "structure", $"The body is not JSON: it cannot be read at line {problem.LineNumber + 1}, byte {problem.BytePositionInLine + 1}.");
        }
    }

    /// <summary>Checks against the R4 model: elements, types, cardinality, required codes, narrative. Not invariants, profiles, or what references point to.</summary>
    /// <exception cref="RefusedException">With an issue for each fault found.</exception>
    public static void Validate(JsonElement resource)
    {
        ImmutableArray<FhirIssue> issues = Issues(JsonMarshal.GetRawUtf8Value(resource));
        if (!issues.IsEmpty)
        {
            throw new RefusedException(400, issues);
        }
    }

    public static string? ResourceType(JsonElement resource) => Text(resource, "resourceType");

    public static string? Text(JsonElement element, string name) =>
        element.TryGetProperty(name, out JsonElement value) && value.ValueKind == JsonValueKind.String ? value.GetString() : null;

    public static byte[] Write(Action<Utf8JsonWriter> content)
    {
        ArrayBufferWriter<byte> buffer = new();
        using (Utf8JsonWriter writer = new(buffer, Stamp.Writing))
        {
            writer.WriteStartObject();
            content(writer);
            writer.WriteEndObject();
        }

        return buffer.WrittenSpan.ToArray();
    }

    public static byte[] Outcome(IEnumerable<FhirIssue> issues) => Write(writer =>
    {
        writer.WriteString("resourceType", "OperationOutcome");
        writer.WriteStartArray("issue");
        foreach (FhirIssue issue in issues)
        {
            writer.WriteStartObject();
            writer.WriteString("severity", "error");
            writer.WriteString("code", issue.Code);
            writer.WriteString("diagnostics", issue.Diagnostics);
            if (issue.Expression is not null)
            {
                writer.WriteStartArray("expression");
                writer.WriteStringValue(issue.Expression);
                writer.WriteEndArray();
            }

            writer.WriteEndObject();
        }

        writer.WriteEndArray();
    });

    private static ImmutableArray<FhirIssue> Issues(ReadOnlySpan<byte> utf8)
    {
        Utf8JsonReader reader = new(utf8);
        Strict.TryDeserializeResource(ref reader, out Resource? _, out IEnumerable<CodedException> problems);
        return [.. problems.Take(MaxIssues).Select(Issue)];
    }

    /// <summary>Bytes that are no UTF-8, or an escape for half of a surrogate pair, can pass as JSON, but every later reading of that string would throw.</summary>
    private static void RefuseBrokenText(ReadOnlySpan<byte> utf8)
    {
        if (!Utf8.IsValid(utf8))
        {
            throw RefusedException.BadRequest("structure", "The body is not UTF-8.");
        }

        if (utf8.IndexOf("\\u"u8) < 0)
        {
            return;
        }

        Utf8JsonReader reader = new(utf8);
        while (reader.Read())
        {
            if (reader is { TokenType: JsonTokenType.String or JsonTokenType.PropertyName, ValueIsEscaped: true } && !IsText(ref reader))
            {
                throw RefusedException.BadRequest("structure", "The body holds half of a UTF-16 surrogate pair.");
            }
        }
    }

    private static bool IsText(ref Utf8JsonReader reader)
    {
        try
        {
            return reader.GetString() is not null;
        }
        catch (InvalidOperationException)
        {
            return false;
        }
    }

    private static FhirIssue Issue(CodedException problem) => problem is ExtendedCodedException detailed
        ? new FhirIssue(detailed.IssueType.GetLiteral() ?? "invalid", detailed.BaseErrorMessage, detailed.InstancePath)
        : new FhirIssue("invalid", problem.Message);
}
