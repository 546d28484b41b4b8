using System.Collections.Immutable;
using System.Text.Json;
using Json.Schema;
using Titration.Protocol.Definitions;

namespace Titration.Worker.Configuration;

/// <summary>A problem of a protocol file, with the line it stands on.</summary>
/// <param name="Line">From 1.</param>
/// <param name="Path">JSON Pointer, such as <c>/standardLadder/steps/1</c>; empty: the file as a whole.</param>
/// <param name="Problem">What is wrong.</param>
public sealed record ProtocolFileProblem(int Line, string Path, string Problem)
{
    public override string ToString() => Path.Length == 0 ? Problem : $"{Path}: {Problem}";
}

/// <summary>
/// What became of reading a protocol file: by its schema, by the strict reader, and by <see cref="ProtocolValidator"/>, all problems of
/// all three at once.
/// </summary>
/// <param name="Protocol">The protocol, if it could be read; not to be used where there are problems.</param>
/// <param name="Problems">In the order of their lines.</param>
public sealed record ProtocolReading(ProtocolDefinition? Protocol, ImmutableArray<ProtocolFileProblem> Problems)
{
    private static readonly Lazy<JsonSchema> Schema = new(() =>
    {
        using Stream text = typeof(ProtocolReading).Assembly.GetManifestResourceStream("protocol.schema.json")
            ?? throw new InvalidOperationException("The build left out protocol.schema.json.");
        using StreamReader reader = new(text);
        return JsonSchema.FromText(reader.ReadToEnd());
    });

    /// <summary>Reads a protocol's UTF-8 text.</summary>
    public static ProtocolReading Of(ReadOnlySpan<byte> utf8)
    {
        JsonLines lines = JsonLines.Of(utf8);
        List<ProtocolFileProblem> problems = [];
        ProtocolDefinition? protocol = null;
        try
        {
            problems.AddRange(BySchema(utf8, lines));
            protocol = ProtocolJson.Parse(utf8);
            problems.AddRange(ProtocolValidator.Problems(protocol)
                .Where(p => !problems.Exists(known => known.Path == p.Path))
                .Select(p => new ProtocolFileProblem(lines.At(p.Path), p.Path, p.Problem)));
        }
        catch (JsonException problem)
        {
            // Where the schema found something it has said it already, and better.
            if (problems.Count == 0)
            {
                problems.Add(new ProtocolFileProblem((int)(problem.LineNumber ?? 0) + 1, "", problem.Message));
            }
        }

        return new ProtocolReading(protocol, [.. problems.OrderBy(p => p.Line)]);
    }

    private static IEnumerable<ProtocolFileProblem> BySchema(ReadOnlySpan<byte> utf8, JsonLines lines)
    {
        Utf8JsonReader reader = new(utf8);
        using JsonDocument document = JsonDocument.ParseValue(ref reader);
        EvaluationResults results = Schema.Value.Evaluate(document.RootElement, new EvaluationOptions { OutputFormat = OutputFormat.List });
        return
        [
            .. (results.Details ?? []).Where(d => d.Errors is not null)
                .SelectMany(d => d.Errors!.Select(e => (Path: d.InstanceLocation.ToString(), Keyword: e.Key, Text: e.Value)))
                .Select(e => new ProtocolFileProblem(lines.At(e.Path), e.Path, $"{e.Keyword}#{e.Text}")),
        ];
    }
}
