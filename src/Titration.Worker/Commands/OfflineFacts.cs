using System.Text;
using Titration.Fhir.Reading;
using Titration.Protocol.Courses;
using Titration.Protocol.Facts;
using Titration.Worker.Access;

namespace Titration.Worker.Commands;

/// <summary>Facts from files: what cannot be read is named on standard error, and the rest goes on.</summary>
internal sealed class OfflineFacts(Vocabulary vocabulary)
{
    private readonly FhirReader _reader = new(vocabulary);
    private readonly List<Fact> _facts = [];
    private readonly HashSet<(string Type, string Id)> _deleted = [];
    private readonly List<(string File, ResourceReading.Incomplete Reading)> _incomplete = [];
    private readonly Dictionary<string, ReadOnlyMemory<byte>> _medications = new(StringComparer.Ordinal);

    /// <summary>False once something could not be read.</summary>
    public bool AllRead { get; private set; } = true;

    /// <summary>Reads a folder, a file, or standard input for <c>-</c>.</summary>
    /// <returns>False where there is nothing to read there, which was said on standard error.</returns>
    public bool Read(string path)
    {
        if (path == "-")
        {
            using Stream input = Console.OpenStandardInput();
            using MemoryStream body = new();
            input.CopyTo(body);
            ReadContent("standard input", body.ToArray());
            return Complete();
        }

        string[] files = Directory.Exists(path)
            ? [.. Directory.EnumerateFiles(path, "*", SearchOption.AllDirectories).Where(IsFhirFile).Order(StringComparer.Ordinal)]
            : File.Exists(path) ? [path] : [];
        if (files.Length == 0)
        {
            Console.Error.WriteLine($"titration: \"{path}\": no .json or .ndjson file is there");
            return false;
        }

        foreach (string file in files)
        {
            ReadFile(file);
        }

        return Complete();
    }

    /// <summary>The facts by patient, in the order of their ids.</summary>
    public IEnumerable<PatientHistory> Histories() => _facts
        .Where(f => !_deleted.Contains((f.Source.Type, f.Source.Id)))
        .GroupBy(f => f.Patient, StringComparer.Ordinal)
        .OrderBy(g => g.Key, StringComparer.Ordinal)
        .Select(g => new PatientHistory(g.Key, [.. g]));

    private static bool IsFhirFile(string file) => Path.GetExtension(file).ToLowerInvariant() is ".json" or ".ndjson";

    private void ReadFile(string file)
    {
        try
        {
            ReadContent(file, BoundedFile.Read(file, BoundedFile.EvaluatedBytes));
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            Complain(file, problem.Message);
        }
    }

    private void ReadContent(string name, byte[] content)
    {
        if (!IsLines(name, content))
        {
            ReadBody(name, content);
            return;
        }

        int number = 0;
        foreach (string line in Encoding.UTF8.GetString(content).Split('\n'))
        {
            number++;
            if (!string.IsNullOrWhiteSpace(line))
            {
                ReadBody($"{name}:{number}", Encoding.UTF8.GetBytes(line.Trim()));
            }
        }
    }

    // A file without the ending is taken as lines where its first line is a whole object and another one follows.
    private static bool IsLines(string name, byte[] content)
    {
        if (name.EndsWith(".ndjson", StringComparison.OrdinalIgnoreCase))
        {
            return true;
        }

        int first = content.AsSpan().IndexOf((byte)'\n');
        return first > 0 && content.AsSpan(0, first).TrimEnd("\r "u8).EndsWith("}"u8) && content.AsSpan(first).TrimStart("\r\n "u8).StartsWith("{"u8);
    }

    private void ReadBody(string name, ReadOnlyMemory<byte> body)
    {
        foreach (ResourceReading reading in _reader.Read(body))
        {
            Sort(name, reading);
        }
    }

    private void Sort(string name, ResourceReading reading)
    {
        switch (reading)
        {
            case ResourceReading.Understood understood:
                _facts.Add(understood.Fact);
                foreach (SystemCode code in understood.UnmappedCodes)
                {
                    Console.Error.WriteLine($"titration: {name}: no mapping knows {code.System}|{code.Code}; the rest counts without it");
                }

                break;
            case ResourceReading.Skipped { Header: { Type: "Medication", Id: { } id } } medication:
                _medications[$"Medication/{id}"] = medication.Bytes;
                break;
            case ResourceReading.Skipped or ResourceReading.Own:
                break;
            case ResourceReading.Deleted { Header: { Type: { } type, Id: { } id } }:
                _deleted.Add((type, id));
                break;
            case ResourceReading.Incomplete incomplete:
                _incomplete.Add((name, incomplete));
                break;
            case ResourceReading.Unmapped unmapped:
                Console.Error.WriteLine(
                    $"titration: {name}: {unmapped.Header.Type} left out: {(unmapped.Codes.IsEmpty ? "its product stands in words only" : $"no mapping knows {string.Join(", ", unmapped.Codes.Select(c => $"{c.System}|{c.Code}"))}")}");
                break;
            case ResourceReading.Refused refused:
                Complain(name, $"{refused.Path}: {refused.Problem}");
                break;
        }
    }

    /// <summary>Orders that refer to a Medication are read once all files are in.</summary>
    private bool Complete()
    {
        foreach ((string file, ResourceReading.Incomplete incomplete) in _incomplete.ToArray())
        {
            string reference = incomplete.References[0];
            string unversioned = string.Join('/', reference.Split('/').Take(2));
            if (incomplete.Header.Type == "MedicationRequest" && _medications.TryGetValue(unversioned, out ReadOnlyMemory<byte> medication))
            {
                Sort(file, _reader.Read(incomplete.Bytes, medication));
            }
            else
            {
                Complain(file, $"refers to a {reference.Split('/')[0]} that is not among the files");
            }
        }

        return true;
    }

    private void Complain(string name, string problem)
    {
        AllRead = false;
        Console.Error.WriteLine($"titration: {name}: {problem}");
    }
}
