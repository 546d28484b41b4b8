using System.Collections.Immutable;
using System.Globalization;
using System.Security.Cryptography;
using Titration.Fhir.Writing;
using Titration.Worker.Access;

namespace Titration.Worker.Configuration;

/// <summary>What is said at this clinic: the texts that come with the service, with those of the clinic's folder laid over them.</summary>
/// <param name="Wording">Null where there is a problem.</param>
/// <param name="Parts">The bytes of every file that went in, in an order that their names do not decide.</param>
/// <param name="Problems">All of them, each with file, line and path.</param>
public sealed record ClinicWording(Wording? Wording, ImmutableArray<byte[]> Parts, ImmutableArray<string> Problems)
{
    /// <param name="folder">The clinic's folder of JSON files, one for each language; empty: none.</param>
    public static ClinicWording Load(string folder)
    {
        List<string> problems = [];
        ImmutableArray<WordingFile> own = folder.Length == 0 ? [] : Read(folder, problems);
        WordingReading reading = Wording.Read(BuiltIn.Wording, own);
        problems.AddRange(reading.Problems.Select(p => Words(p, own)));
        return new ClinicWording(
            problems.Count == 0 ? reading.Wording : null,
            [
                .. BuiltIn.Wording.Select(f => f.Utf8.ToArray()),
                .. own.Select(f => f.Utf8.ToArray()).OrderBy(b => Convert.ToHexString(SHA256.HashData(b)), StringComparer.Ordinal),
            ],
            [.. problems]);
    }

    private static ImmutableArray<WordingFile> Read(string folder, List<string> problems)
    {
        try
        {
            ImmutableArray<WordingFile> files =
            [
                .. Directory.EnumerateFiles(folder)
                    .Where(f => f.EndsWith(".json", StringComparison.OrdinalIgnoreCase)).Order(StringComparer.Ordinal)
                    .Select(f => new WordingFile(f, BoundedFile.Read(f, BoundedFile.PolicyBytes))),
            ];
            if (files.IsEmpty)
            {
                problems.Add($"\"{folder}\" holds no .json file; put one for each language there, or leave the setting empty");
            }

            return files;
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            problems.Add($"cannot read \"{folder}\": {problem.Message}");
            return [];
        }
    }

    private static string Words(WordingProblem problem, ImmutableArray<WordingFile> own)
    {
        JsonLines lines = JsonLines.Of(own.Where(f => f.Name == problem.File).Select(f => f.Utf8).FirstOrDefault().Span);
        // A member that stands there twice is found without a line, but its second place is known.
        int line = problem.BreaksOnLine ?? (problem.Path.Length == 0 && lines.Twice is [var twice, ..] ? twice.Line : lines.At(Pointer(problem.Path)));
        return $"{problem.File}:{line}: {(problem.Path.Length == 0 ? "" : $"{problem.Path}: ")}{problem.Problem}";
    }

    // The months of a wording's paths count from 1, the items of a JSON Pointer from 0.
    private static string Pointer(string path) => string.Concat(path.Split('.', StringSplitOptions.RemoveEmptyEntries).Select(part =>
        int.TryParse(part, NumberStyles.None, CultureInfo.InvariantCulture, out int number) ? $"/{number - 1}" : $"/{part}"));
}
