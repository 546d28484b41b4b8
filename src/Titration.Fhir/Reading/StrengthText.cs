using System.Collections.Immutable;
using System.Globalization;
using System.Text.RegularExpressions;

namespace Titration.Fhir.Reading;

/// <summary>
/// The strength of a product in words, such as "Tretinoin 0.025 % cream", "0,025%" or "0.25 mg/g". It is taken only where no other
/// reading is possible.
/// </summary>
internal static partial class StrengthText
{
    private const int LongestText = 500;

    /// <summary>
    /// The strength that the texts name. <paramref name="certain"/> is false where they name several, or none that the ingredient has.
    /// </summary>
    /// <param name="texts">Every text of the product; those without a percentage say nothing.</param>
    /// <param name="strengths">The ingredient's strengths in the protocol.</param>
    /// <param name="combination">In a combination other percentages are the other ingredients'.</param>
    /// <param name="certain">True also where no text says anything.</param>
    public static decimal? Find(IEnumerable<string> texts, ReadOnlySpan<decimal> strengths, bool combination, out bool certain)
    {
        decimal? found = null;
        foreach (string text in texts)
        {
            ImmutableArray<decimal> percentages = Percentages(text);
            if (percentages.IsEmpty)
            {
                continue;
            }

            decimal? one = Only(percentages, strengths, combination);
            if (one is null || (found is not null && found != one))
            {
                certain = false;
                return null;
            }

            found = one;
        }

        certain = true;
        return found;
    }

    private static decimal? Only(ImmutableArray<decimal> percentages, ReadOnlySpan<decimal> strengths, bool combination)
    {
        decimal? only = null;
        foreach (decimal percentage in percentages)
        {
            if (strengths.Contains(percentage))
            {
                if (only is not null)
                {
                    return null;
                }

                only = percentage;
            }
        }

        return combination || percentages.Length == 1 ? only : null;
    }

    /// <summary>The different percentages in a text; milligrams per gram are tenths of a per cent.</summary>
    private static ImmutableArray<decimal> Percentages(string text)
    {
        // A text of this length is no product name, and cannot be said to name one strength.
        if (text.Length > LongestText)
        {
            return text.Contains('%') ? [-1m] : [];
        }

        HashSet<decimal> percentages = [];
        foreach (Match match in Pattern().Matches(text))
        {
            decimal number = decimal.Parse(match.Groups["number"].Value.Replace(',', '.'), NumberStyles.AllowDecimalPoint, CultureInfo.InvariantCulture);
            percentages.Add(match.Groups["permille"].Success ? number / 10m : number);
        }

        return [.. percentages];
    }

    // The look-behind keeps the tail of a longer number from being read as one.
    [GeneratedRegex(
        @"(?<![0-9.,])(?<number>[0-9]{1,3}([.,][0-9]{1,5})?)\s?(%|per\s?cent\b|(?<permille>mg\s?/\s?(1\s?)?g\b))",
        RegexOptions.ExplicitCapture | RegexOptions.IgnoreCase, matchTimeoutMilliseconds: 1_000)]
    private static partial Regex Pattern();
}
