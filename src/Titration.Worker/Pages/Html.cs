using System.Collections.Frozen;
using System.Security.Cryptography;
using System.Text;
using System.Text.Encodings.Web;
using System.Text.Unicode;
using System.Xml.Linq;

namespace Titration.Worker.Pages;

/// <summary>
/// Pages as trees of elements: text and attributes are encoded where they are written, in one place, so that nothing a resource holds can become
/// markup.
/// </summary>
internal static class Html
{
    private static readonly HtmlEncoder Encoder = HtmlEncoder.Create(UnicodeRanges.All);
    private static readonly FrozenSet<string> Void = FrozenSet.Create(StringComparer.Ordinal, "meta", "link", "br", "hr", "wbr");

    /// <summary>An element; content is text, attributes, elements and sequences of them, null for nothing.</summary>
    public static XElement E(string name, params object?[] content) => new(name, content);

    /// <summary>An attribute.</summary>
    public static XAttribute A(string name, object value) => new(name, value);

    public static XAttribute Class(string names) => new("class", names);

    /// <summary>A whole page without scripts and without anything from elsewhere; the policy in its head refuses both.</summary>
    /// <param name="title">The document's title.</param>
    /// <param name="styles">Style sheets, of ours.</param>
    /// <param name="head">More for the head.</param>
    /// <param name="body">The content of the body.</param>
    public static string Page(string title, string styles, IEnumerable<XElement> head, params object?[] body)
    {
        XElement html = E(
            "html", A("lang", "en"),
            E(
                "head", E("meta", A("charset", "utf-8")), E("meta", A("http-equiv", "Content-Security-Policy"), A("content", PolicyOf(styles))),
                E("meta", A("name", "viewport"), A("content", "width=device-width, initial-scale=1")), E("meta", A("name", "color-scheme"), A("content", "light dark")),
                E("meta", A("name", "referrer"), A("content", "no-referrer")), head, E("title", title), E("style", styles)),
            E("body", body));
        StringBuilder text = new("<!DOCTYPE html>\n");
        Write(text, html);
        return text.Append('\n').ToString();
    }

    /// <summary>The Content-Security-Policy of a page with these styles: they, and nothing else.</summary>
    public static string PolicyOf(string styles) =>
        $"default-src 'none'; style-src 'sha256-{Convert.ToBase64String(SHA256.HashData(Encoding.UTF8.GetBytes(styles)))}'; base-uri 'none'; form-action 'none'";

    /// <summary>A style sheet that comes with the service.</summary>
    public static string Styles(params IEnumerable<string> names)
    {
        StringBuilder styles = new();
        foreach (string name in names)
        {
            using Stream stream = typeof(Html).Assembly.GetManifestResourceStream(name) ?? throw new InvalidOperationException($"The build left out {name}.");
            using StreamReader reader = new(stream);
            // The digest in the policy is that of what the browser sees, which knows no carriage return.
            styles.Append(reader.ReadToEnd().ReplaceLineEndings("\n"));
        }

        return styles.ToString();
    }

    private static void Write(StringBuilder text, XElement element)
    {
        string name = element.Name.LocalName;
        text.Append('<').Append(name);
        foreach (XAttribute attribute in element.Attributes())
        {
            text.Append(' ').Append(attribute.Name.LocalName).Append("=\"").Append(Encoder.Encode(attribute.Value)).Append('"');
        }

        text.Append('>');
        if (Void.Contains(name))
        {
            return;
        }

        foreach (XNode node in element.Nodes())
        {
            if (node is XElement child)
            {
                Write(text, child);
            }
            else if (node is XText content)
            {
                // Only what came with the service is a style sheet, and there an encoded character would mean something else.
                text.Append(name == "style" ? content.Value : Encoder.Encode(content.Value));
            }
        }

        text.Append("</").Append(name).Append('>');
    }
}
