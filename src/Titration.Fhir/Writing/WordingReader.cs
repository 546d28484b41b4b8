using System.Collections.Immutable;
using System.Text.Json;

namespace Titration.Fhir.Writing;

/// <summary>A wording file: its name, for problems, and its UTF-8 text.</summary>
public sealed record WordingFile(string Name, ReadOnlyMemory<byte> Utf8);

/// <summary>What is wrong with a wording, and where.</summary>
/// <param name="File">The file's name; empty where a whole language is missing.</param>
/// <param name="Path">Path of the text, such as <c>templates.step-up.patient</c>.</param>
/// <param name="Problem">What is wrong and what to do.</param>
public sealed record WordingProblem(string File, string Path, string Problem)
{
    /// <summary>The line, from 1, where the text stops being JSON; null for everything else, which has its path.</summary>
    public int? BreaksOnLine { get; init; }
}

/// <summary>The result of reading: a wording, or every problem it has.</summary>
/// <param name="Wording">Null where there is a problem.</param>
/// <param name="Problems">All of them, in the order of files and paths.</param>
public sealed record WordingReading(Wording? Wording, ImmutableArray<WordingProblem> Problems);

/// <summary>
/// Reads wording files strictly: what is missing, unknown or misspelt is a problem, never a default. Files of the clinic's are laid over the
/// others: of a language that is there they hold what they replace, of a new one everything.
/// </summary>
internal sealed class WordingReader
{
    private readonly List<WordingProblem> _problems = [];
    private readonly Dictionary<string, ImmutableDictionary<string, string>> _languages = new(StringComparer.OrdinalIgnoreCase);

    public static WordingReading Read(IEnumerable<WordingFile> files, IEnumerable<WordingFile> overrides)
    {
        WordingReader reader = new();
        reader.ReadAll(files);
        if (reader._problems.Count == 0 && !reader._languages.ContainsKey(Wording.DefaultLanguage))
        {
            reader._problems.Add(new(string.Empty, "language", $"there is no file with language \"{Wording.DefaultLanguage}\", the fallback of all others"));
        }

        reader.ReadAll(overrides);
        return reader._problems.Count == 0
            ? new WordingReading(
                new Wording(reader._languages.ToImmutableDictionary(l => l.Key, l => new WordingLanguage(l.Key, l.Value), StringComparer.OrdinalIgnoreCase)), [])
            : new WordingReading(null, [.. reader._problems]);
    }

    private void ReadAll(IEnumerable<WordingFile> files)
    {
        HashSet<string> complete = new(_languages.Keys, StringComparer.OrdinalIgnoreCase);
        HashSet<string> seen = new(StringComparer.OrdinalIgnoreCase);
        foreach (WordingFile file in files)
        {
            if (Texts(file) is { } texts)
            {
                texts.Remove("$schema");
                texts.Remove("language", out string? language);
                bool isOverride = language is not null && complete.Contains(language);
                if (language is not null || complete.Count == 0)
                {
                    CheckMissing(file.Name, texts, isOverride, complete);
                }

                CheckTexts(file.Name, texts);
                AddLanguage(file.Name, language, texts, seen);
            }
        }
    }

    private SortedDictionary<string, string>? Texts(WordingFile file)
    {
        try
        {
            using JsonDocument document = JsonDocument.Parse(file.Utf8, new JsonDocumentOptions { AllowDuplicateProperties = false });
            SortedDictionary<string, string> texts = new(StringComparer.Ordinal);
            Flatten(file.Name, string.Empty, document.RootElement, texts);
            return texts;
        }
        catch (JsonException problem)
        {
            _problems.Add(new(file.Name, string.Empty, $"cannot be read as JSON: {problem.Message}") { BreaksOnLine = (int?)problem.LineNumber + 1 });
            return null;
        }
    }

    private void AddLanguage(string file, string? language, SortedDictionary<string, string> texts, HashSet<string> seen)
    {
        if (string.IsNullOrWhiteSpace(language))
        {
            _problems.Add(new(file, "language", "is missing: name the language, such as \"en\""));
        }
        else if (!seen.Add(language))
        {
            _problems.Add(new(file, "language", $"\"{language}\" is another file's language already"));
        }
        else
        {
            _languages[language] = _languages.GetValueOrDefault(language, ImmutableDictionary.Create<string, string>(StringComparer.Ordinal)).SetItems(texts);
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

    // Months are replaced as a whole: eleven of one file and one of another are nobody's intention.
    private void CheckMissing(string file, SortedDictionary<string, string> texts, bool isOverride, HashSet<string> complete)
    {
        bool hasMonths = texts.Keys.Any(IsMonth);
        string why = isOverride ? "is missing: a file that names months names all twelve"
            : complete.Count > 0 ? $"is missing: only a file of {string.Join(" or ", complete.Order(StringComparer.Ordinal))} may hold less than every text"
            : "is missing";
        foreach (string path in WordingTexts.Required.Keys.Where(path => !texts.ContainsKey(path) && (!isOverride || (hasMonths && IsMonth(path)))))
        {
            _problems.Add(new(file, path, why));
        }
    }

    private static bool IsMonth(string path) => path.StartsWith("formats.months.", StringComparison.Ordinal);

    private void CheckTexts(string file, SortedDictionary<string, string> texts)
    {
        foreach ((string path, string text) in texts)
        {
            if (WordingTexts.Required.TryGetValue(path, out ImmutableArray<string> allowed))
            {
                CheckText(file, path, text, allowed);
            }
            else if (WordingTexts.IsOptional(path))
            {
                CheckText(file, path, text, []);
            }
            else
            {
                _problems.Add(new(file, path, "is no text that this service uses; contracts/wording.schema.json lists those there are"));
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
