using System.Collections.Immutable;
using System.Text;

namespace Titration.Fhir.Writing;

/// <summary>Text with <c>{placeholders}</c>. A brace always belongs to one; there is no escape.</summary>
internal static class PlaceholderText
{
    /// <summary>False where braces do not pair up; <paramref name="names"/> are the placeholders found up to there.</summary>
    public static bool TryParse(string text, out ImmutableArray<string> names)
    {
        ImmutableArray<string>.Builder found = ImmutableArray.CreateBuilder<string>();
        int at = 0;
        bool paired = true;
        while (paired && text.IndexOfAny(['{', '}'], at) is >= 0 and int open)
        {
            int close = text[open] == '{' ? text.IndexOfAny(['{', '}'], open + 1) : -1;
            paired = close >= 0 && text[close] == '}';
            if (paired)
            {
                found.Add(text[(open + 1)..close]);
                at = close + 1;
            }
        }

        names = found.ToImmutable();
        return paired;
    }

    /// <summary>Fills in each placeholder once: what a value itself holds is not looked at again.</summary>
    public static string Fill(string text, Func<string, string> value)
    {
        StringBuilder filled = new();
        int at = 0;
        while (text.IndexOf('{', at) is >= 0 and int open)
        {
            int close = text.IndexOf('}', open);
            filled.Append(text, at, open - at).Append(value(text[(open + 1)..close]));
            at = close + 1;
        }

        return filled.Append(text, at, text.Length - at).ToString();
    }
}
