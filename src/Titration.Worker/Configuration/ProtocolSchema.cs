using System.Collections.Immutable;
using System.Text.Json;
using System.Text.Json.Nodes;
using Json.Pointer;
using Json.Schema;
using Titration.Protocol.Definitions;

namespace Titration.Worker.Configuration;

/// <summary>contracts/protocol.schema.json, and what it says of a file in words that need no knowledge of JSON Schema.</summary>
internal static class ProtocolSchema
{
    private static readonly JsonDocumentOptions Strict = new() { AllowDuplicateProperties = false };

    private static readonly Lazy<(JsonSchema Schema, JsonNode Text)> Loaded = new(() =>
    {
        using Stream stream = typeof(ProtocolSchema).Assembly.GetManifestResourceStream("protocol.schema.json")
            ?? throw new InvalidOperationException("The build left out protocol.schema.json.");
        JsonNode text = JsonNode.Parse(stream)!;
        return (JsonSchema.FromText(text.ToJsonString()), text);
    });

    /// <summary>Everything in the text that the schema does not allow.</summary>
    /// <exception cref="JsonException">The text is no JSON, or names a member twice.</exception>
    public static ImmutableArray<ProtocolProblem> Problems(ReadOnlyMemory<byte> utf8)
    {
        using JsonDocument document = JsonDocument.Parse(utf8, Strict);
        EvaluationResults results = Loaded.Value.Schema.Evaluate(document.RootElement, new EvaluationOptions { OutputFormat = OutputFormat.List });
        return
        [
            .. (results.Details ?? []).Prepend(results).Where(d => d.Errors is not null)
                .SelectMany(d => d.Errors!.Select(e => new ProtocolProblem(d.InstanceLocation.ToString(), Words(d, e.Key, e.Value))))
                .Distinct(),
        ];
    }

    private static string Words(EvaluationResults result, string keyword, string message) => keyword switch
    {
        "" => "is no part of a protocol; is it misspelt?",
        "required" => $"lacks {message[(message.IndexOf('[', StringComparison.Ordinal) + 1)..message.LastIndexOf(']')]}",
        "enum" when ValueOf(result, keyword) is JsonArray values => $"is none of {string.Join(", ", values.Select(v => v!.ToJsonString()))}",
        "pattern" when ValueOf(result, keyword) is { } pattern => $"does not have the form {pattern}",
        _ => char.ToLowerInvariant(message[0]) + message[1..],
    };

    /// <summary>What the schema says under this keyword at the place that refused.</summary>
    private static JsonNode? ValueOf(EvaluationResults result, string keyword)
    {
        string fragment = Uri.UnescapeDataString(result.SchemaLocation.Fragment.TrimStart('#'));
        return JsonPointer.Parse($"{fragment}/{keyword}").TryEvaluate(Loaded.Value.Text, out JsonNode? value) ? value : null;
    }
}
