using System.Collections.Immutable;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Writing;

/// <summary>
/// The texts that a wording has to hold, each by its path in the file, with the placeholders it may use.
/// </summary>
public static class WordingTexts
{
    /// <summary>The referral of a stop finding, beside which a Flag stands; one to leave the product out for now has a template of its own.</summary>
    public const string Referral = "referral";

    /// <summary>How many tasks wait in the pool: of no patient in particular.</summary>
    public const string Digest = "overdue-digest";

    private const string Dosages = "current proposed due days clinic";
    private const string Findings = "finding due days clinic";

    private static readonly (string Id, string? Patient, string? Clinician)[] TemplateList =
    [
        ("step-up", Dosages, Dosages + " reason"),
        ("step-down", Dosages, Dosages + " reason finding"),
        ("resume", Dosages, Dosages + " reason finding"),
        ("stop-emergency", Findings, null),
        ("stop-and-wait", Findings, null),
        ("leave-out", Findings, null),
        ("care-after-moderate", "current due days clinic", null),
        ("care-step-down", "current due days clinic", null),
        ("check-in-first", "due days clinic", "due days clinic current"),
        ("check-in-second", "due days clinic", "due days clinic current"),
        ("clinic-task-silent", null, "due days clinic current reason"),
        ("unanswered-reminder", null, "due days clinic current"),
        (Digest, null, "count due clinic"),
        (Referral, null, "finding reason current due days clinic"),
        ("withhold-referral", null, "finding reason current due days clinic"),
        ("review", null, "finding reason current due days clinic"),
        ("applied-while-withheld", null, "finding reason current due days clinic"),
        ("interacting-topical", null, "finding reason current due days clinic"),
        ("effect-review", "due days clinic current", "due days clinic current reason"),
        ("repeat-reminder", "due days clinic current", "due days clinic current reason"),
    ];

    /// <summary>Findings that are no report of their own but follow from several facts.</summary>
    private static readonly string[] DerivedFindings =
        ["severe-irritation", "early-severe-irritation", "lasting-at-lowest-step", "another-retinoid", "procedure-planned"];

    /// <summary>Template ids, in the order of the list.</summary>
    public static ImmutableArray<string> Templates { get; } = [.. TemplateList.Select(t => t.Id)];

    /// <summary>Codes of the findings that every wording has words for; a file may name more.</summary>
    public static ImmutableArray<string> FindingCodes { get; } = [.. Enum.GetValues<FindingKind>().Select(f => f.Code()), .. DerivedFindings];

    /// <summary>Path of a text to its allowed placeholders: everything that must be there; beside it only what <see cref="IsOptional"/>.</summary>
    public static ImmutableSortedDictionary<string, ImmutableArray<string>> Required { get; } =
        All().ToImmutableSortedDictionary(t => t.Path, t => Split(t.Placeholders), StringComparer.Ordinal);

    public static string PathOf(string template, bool toPatient) => $"templates.{template}.{(toPatient ? "patient" : "clinician")}";

    /// <summary>Path of the words for an ingredient of a protocol's.</summary>
    public static string IngredientPath(string ingredient) => $"ingredients.{ingredient}";

    /// <summary>What a protocol can name and a file may have words for: its ingredients, and more findings.</summary>
    public static bool IsOptional(string path) =>
        path.Count(c => c == '.') == 1 && (path.StartsWith("findings.", StringComparison.Ordinal) || path.StartsWith("ingredients.", StringComparison.Ordinal));

    private static IEnumerable<(string Path, string Placeholders)> All() =>
    [
        ("formats.decimal", string.Empty),
        ("formats.date", "day month year"),
        ("formats.date-time", "day month year time"),
        .. Enumerable.Range(1, 12).Select(m => ($"formats.months.{m}", string.Empty)),
        ("dosage.text", "amount product frequency"),
        ("dosage.text-with-barrier", "amount product frequency"),
        ("dosage.product", "ingredient strength"),
        ("dosage.product-unnamed", "strength"),
        ("dosage.half-unit", "grams"),
        ("dosage.one-unit", "grams"),
        ("dosage.grams", "grams"),
        ("dosage.nightly", string.Empty),
        ("dosage.alternate-nights", string.Empty),
        ("dosage.every-third-night", string.Empty),
        ("dosage.every-so-many-nights", "days"),
        ("dosage.nights-in-days", "nights days"),
        ("dosage.instruction", string.Empty),
        ("dosage.instruction-without-barrier", "amount"),
        ("dosage.instruction-with-barrier", "amount"),
        ("dosage.instruction-barrier-ends", string.Empty),
        .. FindingCodes.Select(code => ($"findings.{code}", string.Empty)),
        .. Split("current proposed finding reason due days clinic count").Select(p => ($"unknown.{p}", string.Empty)),
        .. TemplateList.Where(t => t.Patient is not null).Select(t => (PathOf(t.Id, toPatient: true), t.Patient!)),
        .. TemplateList.Where(t => t.Clinician is not null).Select(t => (PathOf(t.Id, toPatient: false), t.Clinician!)),
    ];

    private static ImmutableArray<string> Split(string placeholders) => [.. placeholders.Split(' ', StringSplitOptions.RemoveEmptyEntries)];
}
