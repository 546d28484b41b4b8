using System.Collections.Immutable;
using System.Globalization;
using Titration.Protocol.Courses;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Writing;

/// <summary>Everything this service says to people, by language. It holds no rule and no number.</summary>
public sealed class Wording
{
    /// <summary>What is spoken where a language is not to be had.</summary>
    public const string DefaultLanguage = "en";

    private readonly ImmutableDictionary<string, WordingLanguage> _languages;

    internal Wording(ImmutableDictionary<string, WordingLanguage> languages) => _languages = languages;

    /// <summary>The languages there are, in order.</summary>
    public ImmutableArray<string> Languages => [.. _languages.Keys.Order(StringComparer.Ordinal)];

    /// <summary>Reads the files of a wording, one language each, and reports all their problems at once.</summary>
    public static WordingReading Read(IEnumerable<WordingFile> files) => WordingReader.Read(files, []);

    /// <summary>
    /// The same, with a clinic's own files laid over them: one of a language that is there holds only the texts it replaces, one of a new
    /// language all of them.
    /// </summary>
    public static WordingReading Read(IEnumerable<WordingFile> files, IEnumerable<WordingFile> overrides) => WordingReader.Read(files, overrides);

    /// <summary>The language asked for; else what it is a variety of (<c>de-AT</c>: <c>de</c>); else English.</summary>
    public WordingLanguage In(string? language)
    {
        for (string tag = language ?? string.Empty; tag.Length > 0; tag = tag.Contains('-') ? tag[..tag.LastIndexOf('-')] : string.Empty)
        {
            if (_languages.TryGetValue(tag, out WordingLanguage? found))
            {
                return found;
            }
        }

        return _languages[DefaultLanguage];
    }
}

/// <summary>The texts of one language.</summary>
public sealed class WordingLanguage
{
    private readonly ImmutableDictionary<string, string> _texts;

    internal WordingLanguage(string language, ImmutableDictionary<string, string> texts)
    {
        Language = language;
        _texts = texts;
    }

    /// <summary>Its BCP 47 tag.</summary>
    public string Language { get; }

    /// <summary>
    /// A template with its placeholders filled. One whose value is not known gets the wording's own words for that: a safety message is
    /// never held up by a missing detail.
    /// </summary>
    /// <exception cref="ArgumentException">There is no such template for this audience: a defect, since wordings are complete.</exception>
    public string Render(string template, bool toPatient, IReadOnlyDictionary<string, string> values) =>
        _texts.TryGetValue(WordingTexts.PathOf(template, toPatient), out string? text)
            ? PlaceholderText.Fill(text, name => values.TryGetValue(name, out string? value) ? value : Unknown(name))
            : throw new ArgumentException($"No template \"{template}\" speaks to the {(toPatient ? "patient" : "clinician")}.", nameof(template));

    internal bool Has(string template, bool toPatient) => _texts.ContainsKey(WordingTexts.PathOf(template, toPatient));

    /// <summary>Whether it has words for an ingredient of the protocol's; where it has none, the protocol's own name is shown.</summary>
    public bool NamesIngredient(string ingredient) => _texts.ContainsKey(WordingTexts.IngredientPath(ingredient));

    /// <summary>
    /// A finding in words; that of another product is the product's ingredient. What this language has no words for is shown as it is.
    /// </summary>
    internal string Finding(string code) =>
        _texts.GetValueOrDefault($"findings.{code}") ?? _texts.GetValueOrDefault(WordingTexts.IngredientPath(code), code.Replace('-', ' '));

    internal string Unknown(string placeholder) => _texts[$"unknown.{placeholder}"];

    internal string Date(DateOnly date) => Fill("formats.date", DateParts(date));

    internal string DateTime(DateTimeOffset instant, TimeZoneInfo zone)
    {
        DateTimeOffset local = TimeZoneInfo.ConvertTime(instant, zone);
        return Fill("formats.date-time",
            [.. DateParts(ClinicZone.DateOf(instant, zone)), ("time", local.ToString("HH:mm", CultureInfo.InvariantCulture))]);
    }

    /// <summary>A step as a person would say it.</summary>
    internal string Dosage(Step step, string? ingredient, decimal fingertipUnitGrams)
    {
        string strength = Number(step.StrengthPercent);
        string product = ingredient is null
            ? Fill("dosage.product-unnamed", [("strength", strength)])
            : Fill("dosage.product", [("ingredient", _texts.GetValueOrDefault(WordingTexts.IngredientPath(ingredient), ingredient)), ("strength", strength)]);
        return Fill(step.Barrier ? "dosage.text-with-barrier" : "dosage.text",
            [("amount", Amount(step.GramsPerApplication, fingertipUnitGrams)), ("product", product), ("frequency", Frequency(step.Frequency))]);
    }

    /// <summary>How to apply it, and what changes about barrier support.</summary>
    internal string Instruction(Step step, Step? before, decimal fingertipUnitGrams)
    {
        string apply = Fill(
            step.Barrier ? "dosage.instruction-with-barrier" : "dosage.instruction-without-barrier",
            [("amount", Amount(step.GramsPerApplication, fingertipUnitGrams))]);
        string barrierEnds = !step.Barrier && before is { Barrier: true } ? $"{_texts["dosage.instruction-barrier-ends"]} " : "";
        return $"{barrierEnds}{apply} {_texts["dosage.instruction"]}";
    }

    private string Amount(decimal grams, decimal fingertipUnitGrams)
    {
        string path = grams * 2 == fingertipUnitGrams ? "dosage.half-unit" : grams == fingertipUnitGrams ? "dosage.one-unit" : "dosage.grams";
        return Fill(path, [("grams", Number(grams))]);
    }

    private string Frequency(Frequency frequency) => DosageWriter.Whole(frequency) switch
    {
        (1, 1) => _texts["dosage.nightly"],
        (1, 2) => _texts["dosage.alternate-nights"],
        (1, 3) => _texts["dosage.every-third-night"],
        (1, var days) => Fill("dosage.every-so-many-nights", [("days", Number(days))]),
        var (nights, days) => Fill("dosage.nights-in-days", [("nights", Number(nights)), ("days", Number(days))]),
    };

    private string Number(decimal value) => FhirText.Number(value).Replace(".", _texts["formats.decimal"], StringComparison.Ordinal);

    private (string Name, string Value)[] DateParts(DateOnly date) =>
        [("day", Number(date.Day)), ("month", _texts[$"formats.months.{date.Month}"]), ("year", Number(date.Year))];

    private string Fill(string path, params (string Name, string Value)[] values) =>
        PlaceholderText.Fill(_texts[path], name => values.First(v => v.Name == name).Value);
}
