using System.Globalization;
using System.Text;
using Hl7.Fhir.Model;

namespace Titration.Fhir.Writing;

/// <summary>Text and time in the form FHIR wants.</summary>
internal static class FhirText
{
    /// <summary>
    /// A dateTime in UTC, cut to milliseconds as the decision's record is. Of a fraction all three digits are written: some readers
    /// compare digits as they stand, and take .47 for less than .137.
    /// </summary>
    public static string DateTime(DateTimeOffset instant) => Instant(instant) is { Millisecond: 0 } whole
        ? whole.ToString("yyyy-MM-dd'T'HH:mm:ss'Z'", CultureInfo.InvariantCulture)
        : Instant(instant).ToString("yyyy-MM-dd'T'HH:mm:ss.fff'Z'", CultureInfo.InvariantCulture);

    /// <summary>The instant itself, cut to milliseconds and in UTC.</summary>
    public static DateTimeOffset Instant(DateTimeOffset instant)
    {
        DateTimeOffset utc = instant.ToUniversalTime();
        return utc.AddTicks(-(utc.Ticks % TimeSpan.TicksPerMillisecond));
    }

    /// <summary>0.250 as 0.25: what is equal is written equally.</summary>
    public static decimal Normal(decimal value) => value / 1.0000000000000000000000000000m;

    public static string Number(decimal value) => Normal(value).ToString("0.############", CultureInfo.InvariantCulture);

    /// <summary>A digest with its algorithm before it.</summary>
    public static string Digest(string hash) => hash.StartsWith("sha256:", StringComparison.Ordinal) ? hash : "sha256:" + hash;

    /// <summary>Without the characters that FHIR strings and XML do not allow.</summary>
    public static string Clean(string text)
    {
        StringBuilder clean = new(text.Length);
        foreach (Rune rune in text.EnumerateRunes())
        {
            if (rune.Value is '\t' or '\n' or '\r' || (!Rune.IsControl(rune) && rune.Value is not (0xFFFE or 0xFFFF)))
            {
                clean.Append(rune.ToString());
            }
        }

        return clean.ToString();
    }

    /// <summary>A generated narrative, one paragraph a text.</summary>
    public static Narrative Narrative(params ReadOnlySpan<string?> paragraphs)
    {
        StringBuilder div = new("<div xmlns=\"http://www.w3.org/1999/xhtml\">");
        foreach (string? paragraph in paragraphs)
        {
            if (!string.IsNullOrWhiteSpace(paragraph))
            {
                div.Append(Paragraph(paragraph));
            }
        }

        return new Narrative { Status = Hl7.Fhir.Model.Narrative.NarrativeStatus.Generated, Div = div.Append("</div>").ToString() };
    }

    /// <summary>
    /// The narrative with a paragraph before all others, so that who reads only the narrative of a withdrawn message sees first that it
    /// no longer stands. A narrative that is not the usual div is replaced.
    /// </summary>
    public static Narrative Before(string paragraph, Narrative? narrative)
    {
        string? div = narrative?.Div;
        int end = div is not null && div.StartsWith("<div", StringComparison.Ordinal) ? div.IndexOf('>', StringComparison.Ordinal) : -1;
        return end < 0 || div![end - 1] == '/'
            ? Narrative(paragraph)
            : new Narrative { Status = narrative!.Status, Div = div.Insert(end + 1, Paragraph(paragraph)) };
    }

    private static string Paragraph(string text) => $"<p>{Escape(Clean(text))}</p>";

    private static string Escape(string text) => text
        .Replace("&", "&amp;", StringComparison.Ordinal)
        .Replace("<", "&lt;", StringComparison.Ordinal)
        .Replace(">", "&gt;", StringComparison.Ordinal)
        .Replace("\"", "&quot;", StringComparison.Ordinal);
}
