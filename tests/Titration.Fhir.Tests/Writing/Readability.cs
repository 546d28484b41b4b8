using System.Text.RegularExpressions;

namespace Titration.Fhir.Tests.Writing;

/// <summary>
/// How hard a text is, by two published formulas. Numbers count as they are read aloud, each as one word, as Kincaid and others prescribe.
/// </summary>
internal static partial class Readability
{
    /// <summary>English words that the rules below get wrong.</summary>
    private static readonly Dictionary<string, int> Exceptions = new(StringComparer.Ordinal)
    {
        ["australian"] = 3,
        ["being"] = 2,
        ["creature"] = 2,
        ["every"] = 2,
        ["idea"] = 3,
        ["reaction"] = 3,
        ["moisturiser"] = 4,
        ["reptilian"] = 3,
        ["something"] = 2,
        ["sometimes"] = 2,
        ["somewhere"] = 2,
    };

    /// <summary>
    /// Flesch-Kincaid grade level: 0.39 x words per sentence + 11.8 x syllables per word - 15.59. Source: Kincaid, Fishburne, Rogers, Chissom,
    /// Derivation of New Readability Formulas, Research Branch Report 8-75, 1975. A US school grade; the age is about 5 years more.
    /// </summary>
    public static double FleschKincaidGrade(string text)
    {
        string[] words = Words(text);
        return FleschKincaidGrade(words.Length, Sentences(text), words.Sum(EnglishSyllables));
    }

    public static double FleschKincaidGrade(double words, double sentences, double syllables) => (0.39 * words / sentences) + (11.8 * syllables / words) - 15.59;

    /// <summary>
    /// First Vienna formula for factual texts: 0.1935 x MS + 0.1672 x SL + 0.1297 x IW - 0.0327 x ES - 0.875, where MS, IW and ES are the
    /// percentages of words with three or more syllables, with more than six letters and with one syllable, and SL is words per sentence. Source: Bamberger,
    /// Vanecek, Lesen - Verstehen - Lernen - Schreiben, 1984. A school year; the age is about 5 to 6 years more.
    /// </summary>
    public static double ViennaGrade(string text)
    {
        string[] words = Words(text);
        double Percent(Func<string, bool> which) => 100.0 * words.Count(which) / words.Length;
        return ViennaGrade(Percent(w => GermanSyllables(w) >= 3), (double)words.Length / Sentences(text), Percent(w => w.Count(char.IsLetter) > 6), Percent(w => GermanSyllables(w) == 1));
    }

    public static double ViennaGrade(double threeOrMore, double wordsPerSentence, double longWords, double oneSyllable) =>
        (0.1935 * threeOrMore) + (0.1672 * wordsPerSentence) + (0.1297 * longWords) - (0.0327 * oneSyllable) - 0.875;

    public static string[] Words(string text) => [.. Word().Matches(text).Select(m => m.Value)];

    // A point or comma between digits ends nothing.
    public static int Sentences(string text) => Math.Max(1, SentenceEnd().Count(text));

    public static int EnglishSyllables(string word)
    {
        string letters = word.ToLowerInvariant().Replace("'", "", StringComparison.Ordinal);
        if (letters.Any(char.IsDigit) || letters is "%" or "g")
        {
            // "zero point two five", "seven": read aloud digit by digit.
            return letters.Sum(c => c switch { '0' or '7' or '%' => 2, _ => 1 });
        }

        return Exceptions.TryGetValue(letters, out int known)
            ? known
            : Math.Max(1, EnglishVowels().Count(letters) - SilentE().Count(letters) + Hiatus().Count(letters));
    }

    public static int GermanSyllables(string word)
    {
        string letters = word.ToLowerInvariant();
        return letters.Any(char.IsDigit) || letters == "%"
            ? letters.Sum(c => c switch { '7' or ',' or '%' => 2, _ => 1 })
            : Math.Max(1, GermanVowels().Count(letters));
    }

    [GeneratedRegex(@"[\p{L}'’]+(?:-[\p{L}]+)*|\d+(?:[.,]\d+)?|%", RegexOptions.None, 1000)]
    private static partial Regex Word();

    [GeneratedRegex(@"[.!?:](?=\s|$)", RegexOptions.None, 1000)]
    private static partial Regex SentenceEnd();

    [GeneratedRegex("[aeiouy]+", RegexOptions.None, 1000)]
    private static partial Regex EnglishVowels();

    // The last e of "use", "used", "uses" and "useless"; not that of "little", "three", "the", "wanted", "creases" or "itches".
    [GeneratedRegex("(?<=[aeiouy].*)(?:(?<![aeiou]|[^aeiouy]l)e$|(?<![aeioutd])ed$|(?<![aeiouszxcg]|[cs]h|[^aeiouy]l)es$|(?<=[aeiou][^aeiouy])e(?=(?:ly|less|ful|ment)$))", RegexOptions.None, 1000)]
    private static partial Regex SilentE();

    // Two vowels that are two syllables: "reaction", no; "annual", "quiet", "drying", yes.
    [GeneratedRegex("(?<![cgstx])i[ao]|(?<!q)ua[lt]|iet|ying", RegexOptions.None, 1000)]
    private static partial Regex Hiatus();

    [GeneratedRegex("aa|ee|oo|ai|ei|au|äu|eu|ie|oi|ui|y|[aeiouäöü]", RegexOptions.None, 1000)]
    private static partial Regex GermanVowels();
}
