using Titration.Fhir.Writing;
using Xunit;

namespace Titration.Fhir.Tests.Writing;

/// <summary>What a patient reads can be read at about the age of 11: US grade 6, sixth school year.</summary>
public sealed class ReadabilityTests
{
    private const double HardestGrade = 6.0;

    /// <summary>Every text to a patient, as a patient gets it, and the three ways to tell the application advice.</summary>
    private static readonly string[] ToPatients =
    [
        .. WordingTexts.Templates.Where(t => WordingTexts.Required.ContainsKey(WordingTexts.PathOf(t, toPatient: true))), "without-barrier", "with-barrier", "barrier-ends",
    ];

    public static TheoryData<string, string> Texts => [.. from language in new[] { "en", "de" } from text in ToPatients select (language, text)];

    [Theory]
    [MemberData(nameof(Texts))]
    public void A_text_to_a_patient_reads_at_about_age_11(string language, string text)
    {
        string read = Text(language, text);
        double grade = language == "en" ? Readability.FleschKincaidGrade(read) : Readability.ViennaGrade(read);
        Assert.True(grade <= HardestGrade, $"{language} {text}: grade {grade:0.0}: {read}");
    }

    [Fact]
    public void A_text_as_experts_write_it_is_found_too_hard()
    {
        Assert.True(Readability.FleschKincaidGrade("Discontinue topical administration immediately following development of significant irritation or hypersensitivity.") > HardestGrade);
        Assert.True(Readability.ViennaGrade("Bei anhaltender Hautirritation ist die Anwendungshäufigkeit des Arzneimittels vorübergehend zu reduzieren.") > HardestGrade);
    }

    /// <summary>Published values, as encyclopedias and style guides repeat them: 13 words, 24 syllables, grade 11.3; 5.7 words a sentence, 1.02 syllables a word, grade -1.3.</summary>
    [Fact]
    public void The_English_formula_gives_the_published_values()
    {
        const string platypus = "The Australian platypus is seemingly a hybrid of a mammal and reptilian creature.";
        Assert.Equal((13, 1, 24), (Readability.Words(platypus).Length, Readability.Sentences(platypus), Readability.Words(platypus).Sum(Readability.EnglishSyllables)));
        Assert.Equal(11.3, Readability.FleschKincaidGrade(platypus), 1);
        Assert.Equal(-1.3, Readability.FleschKincaidGrade(words: 5.7, sentences: 1, syllables: 5.7 * 1.02), 1);
        Assert.Equal(-3.4, Readability.FleschKincaidGrade("Go."), 1);
    }

    /// <summary>No published example is known to us: the value is the formula worked by hand.</summary>
    [Fact]
    public void The_German_formula_gives_what_it_gives_by_hand()
    {
        // 5 words, 1 sentence; "trockene" has 3 syllables and more than 6 letters; the other four have one syllable.
        Assert.Equal((0.1935 * 20) + (0.1672 * 5) + (0.1297 * 20) - (0.0327 * 80) - 0.875, Readability.ViennaGrade("Die trockene Haut ist gut."), 6);
    }

    [Theory]
    [InlineData("moisturiser 4 moisturise 3 treatment 2 creases 2 nose 1 eyes 1 lips 1 little 2 stinging 2 clinic 2 emergency 4 services 3 used 1 wanted 2 safely 2 fingertip 3")]
    [InlineData("quiet 2 question 2 reaction 3 annual 3 drying 2 breathing 2 swelling 2 trouble 2 prescription 3 please 1 itches 2 people 2 irritation 4 uses 2 face 1 faces 2 gentle 2 gently 2")]
    [InlineData("0.25 5 7 2 % 2 g 1 10 3")]
    public void English_syllables_are_those_of_a_dictionary(string words) => Counts(words, Readability.EnglishSyllables);

    [Theory]
    [InlineData("Haut 1 Feuchtigkeitscreme 5 Auge 2 Augen 2 Mundwinkel 3 trocken 2 dünn 1 Abend 2 Träume 2 Säure 2 Briefe 2 Notruf 2 Sonnenschutz 3 Behandlung 3 See 1 Atemnot 3")]
    public void German_syllables_are_those_of_a_dictionary(string words) => Counts(words, Readability.GermanSyllables);

    [Fact]
    public void A_decimal_point_ends_no_sentence() => Assert.Equal(2, Readability.Sentences("Use about 0.25 g. Then wait."));

    private static void Counts(string words, Func<string, int> count)
    {
        foreach (string[] pair in words.Split(' ').Chunk(2))
        {
            Assert.Equal((pair[0], int.Parse(pair[1])), (pair[0], count(pair[0])));
        }
    }

    private static string Text(string language, string text) => text switch
    {
        "without-barrier" => Scenario.Instruction(language, Scenario.Nightly, before: Scenario.AlternateNights),
        "with-barrier" => Scenario.Instruction(language, Scenario.EveryThirdNight, before: Scenario.AlternateNights),
        "barrier-ends" => Scenario.Instruction(language, Scenario.Nightly, before: Scenario.EveryThirdNight),
        _ => Message(language, text),
    };

    // As a patient gets it: with a dosage, a date and a clinic in it.
    private static string Message(string language, string template) => Scenario.Wording.In(language).Render(template, toPatient: true, language == "en"
        ? new Dictionary<string, string>(StringComparer.Ordinal)
        {
            ["current"] = "half a fingertip length (about 0.25 g) of tretinoin 0.025 % every other night",
            ["proposed"] = "half a fingertip length (about 0.25 g) of tretinoin 0.025 % every night",
            ["due"] = "17 March 2026",
            ["days"] = "84",
            ["clinic"] = "Harbour Skin Clinic",
        }
        : new Dictionary<string, string>(StringComparer.Ordinal)
        {
            ["current"] = "eine halbe Fingerkuppenlänge (etwa 0,25 g) von Tretinoin 0,025 % jeden zweiten Abend",
            ["proposed"] = "eine halbe Fingerkuppenlänge (etwa 0,25 g) von Tretinoin 0,025 % jeden Abend",
            ["due"] = "17. März 2026",
            ["days"] = "84",
            ["clinic"] = "Hautpraxis am Hafen",
        });
}
