using System.Collections.Immutable;
using System.Text.Json;
using Titration.Fhir.Writing;
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
    /// <summary>Reads a protocol's UTF-8 text.</summary>
    /// <param name="utf8">The text.</param>
    /// <param name="wording">What it is said in: what the protocol names and this has no words for is a problem; null: not asked.</param>
    public static ProtocolReading Of(ReadOnlyMemory<byte> utf8, Wording? wording = null)
    {
        JsonLines lines = JsonLines.Of(utf8.Span);
        List<ProtocolFileProblem> problems = [.. lines.Twice.Select(t => new ProtocolFileProblem(t.Line, t.Path, "is there twice"))];
        ProtocolDefinition? protocol = null;
        try
        {
            problems.AddRange(ProtocolSchema.Problems(utf8).Select(p => At(p, lines)));
            protocol = ProtocolJson.Parse(utf8.Span);
            IEnumerable<ProtocolProblem> found = [.. ProtocolValidator.Problems(protocol), .. wording is null ? [] : WordingCoverage.Problems(protocol, wording)];
            problems.AddRange(found.Where(p => !problems.Exists(known => known.Path == p.Path)).Select(p => At(p, lines)));
        }
        catch (JsonException problem)
        {
            // Where the schema found something it has said it already, and better.
            if (problems.Count == 0)
            {
                problems.Add(new ProtocolFileProblem((int)(problem.LineNumber ?? 0) + 1, "", Short(problem.Message)));
            }
        }

        return new ProtocolReading(protocol, [.. problems.OrderBy(p => p.Line)]);
    }

    private static ProtocolFileProblem At(ProtocolProblem problem, JsonLines lines) => new(lines.At(problem.Path), problem.Path, problem.Problem);

    // The reader appends position and path, which stand before the message already.
    private static string Short(string message)
    {
        int cut = message.IndexOf(" Path: ", StringComparison.Ordinal);
        cut = cut < 0 ? message.IndexOf(" LineNumber: ", StringComparison.Ordinal) : cut;
        return cut < 0 ? message : message[..cut];
    }
}
