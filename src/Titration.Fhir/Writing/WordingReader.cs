using System.Collections.Immutable;
using System.Text.Json;

namespace Titration.Fhir.Writing;

/// <summary>A wording file: its name, for problems, and its UTF-8 text.</summary>
public sealed record WordingFile(string Name, ReadOnlyMemory<byte> Utf8);

/// <summary>What is wrong with a wording, and where.</summary>
/// <param name="File">The file's name; empty where a whole language is missing.</param>
/// <param name="Path">Path of the text, such as <c>templates.step-up.patient</c>.</param>
/// <param name="Problem">What is wrong and what to do.</param>
public sealed record WordingProblem(string File, string Path, string Problem);

/// <summary>The result of reading: a wording, or every problem it has.</summary>
/// <param name="Wording">Null where there is a problem.</param>
/// <param name="Problems">All of them, in the order of files and paths.</param>
public sealed record WordingReading(Wording? Wording, ImmutableArray<WordingProblem> Problems);

/// <summary>Reads wording files strictly: what is missing, unknown or misspelt is a problem, never a default.</summary>
internal sealed class WordingReader
{
    private readonly List<WordingProblem> _problems = [];
    private readonly Dictionary<string, WordingLanguage> _languages = new(StringComparer.OrdinalIgnoreCase);

    public static WordingReading Read(IEnumerable<WordingFile> files)
    {
        WordingReader reader = new();
        foreach (WordingFile file in files)
        {
            reader.ReadFile(file);
        }

        if (reader._problems.Count == 0 && !reader._languages.ContainsKey(Wording.DefaultLanguage))
        {
            reader._problems.Add(new(string.Empty, "language", $"there is no file with language \"{Wording.DefaultLanguage}\", the fallback of all others"));
        }

        return reader._problems.Count == 0
            ? new WordingReading(new Wording(reader._languages.ToImmutableDictionary(StringComparer.OrdinalIgnoreCase)), [])
            : new WordingReading(null, [.. reader._problems]);
    }

    private void ReadFile(WordingFile file)
    {
        JsonDocument document;
        try
        {
            document = JsonDocument.Parse(file.Utf8, new JsonDocumentOptions { AllowDuplicateProperties = false });
        }
        catch (JsonException problem)
        {
            _problems.Add(new(file.Name, string.Empty, $"is no JSON, or names a member twice (line {problem.LineNumber + 1})"));
            return;
        }

        using (document)
        {
            SortedDictionary<string, string> texts = new(StringComparer.Ordinal);
            Flatten(file.Name, string.Empty, document.RootElement, texts);
            texts.Remove("$schema");
            texts.Remove("language", out string? language);
            CheckTexts(file.Name, texts);
            AddLanguage(file.Name, language, texts);
        }
    }

    private void AddLanguage(string file, string? language, SortedDictionary<string, string> texts)
    {
        if (string.IsNullOrWhiteSpace(language))
        {
            _problems.Add(new(file, "language", "is missing: name the language, such as \"en\""));
        }
        else if (!_languages.TryAdd(language, new WordingLanguage(language, texts.ToImmutableDictionary(StringComparer.Ordinal))))
        {
            _problems.Add(new(file, "language", $"\"{language}\" is another file's language already"));
        }
    }

    private void Flatten(string file, string path, JsonElement element, SortedDictionary<string, string> texts)
    {
        if (element.ValueKind == JsonValueKind.Object)
        {
            foreach (JsonProperty member in element.EnumerateObject())
            {
                Flatten(file, path.Length == 0 ? member.Name : $"{path}.{member.Name}", member.Value, texts);
            }
        }
        else if (element.ValueKind == JsonValueKind.Array)
        {
            int number = 0;
            foreach (JsonElement item in element.EnumerateArray())
            {
                Flatten(file, $"{path}.{++number}", item, texts);
            }
        }
        else if (element.ValueKind == JsonValueKind.String && path.Length > 0)
        {
            texts[path] = element.GetString()!;
        }
        else
        {
            _problems.Add(new(file, path, "must be a text"));
        }
    }

    private void CheckTexts(string file, SortedDictionary<string, string> texts)
    {
        foreach (string path in WordingTexts.Required.Keys.Where(path => !texts.ContainsKey(path)))
        {
            _problems.Add(new(file, path, "is missing"));
        }

        foreach ((string path, string text) in texts)
        {
            if (WordingTexts.Required.TryGetValue(path, out ImmutableArray<string> allowed))
            {
                CheckText(file, path, text, allowed);
            }
            else if (path.StartsWith("findings.", StringComparison.Ordinal) && path.Count(c => c == '.') == 1)
            {
                CheckText(file, path, text, []);
            }
            else
            {
                _problems.Add(new(file, path, "is no text that this service uses"));
            }
        }
    }

    private void CheckText(string file, string path, string text, ImmutableArray<string> allowed)
    {
        if (string.IsNullOrWhiteSpace(text) || FhirText.Clean(text) != text)
        {
            _problems.Add(new(file, path, "is empty or holds a control character"));
        }

        if (!PlaceholderText.TryParse(text, out ImmutableArray<string> used))
        {
            _problems.Add(new(file, path, "has a brace without its partner"));
        }

        foreach (string name in used.Except(allowed, StringComparer.Ordinal))
        {
            string hint = allowed.IsEmpty ? "none is allowed here" : $"allowed here: {string.Join(", ", allowed.Select(a => $"{{{a}}}"))}";
            _problems.Add(new(file, path, $"uses the unknown placeholder {{{name}}}; {hint}"));
        }
    }
}
