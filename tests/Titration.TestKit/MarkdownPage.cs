using System.Text.RegularExpressions;

namespace Titration.TestKit;

/// <summary>A page of the documentation.</summary>
/// <param name="Path">Below the repository's root, with slashes.</param>
/// <param name="Text">What stands in it.</param>
public sealed partial record MarkdownPage(string Path, string Text)
{
    /// <summary>Every page of the repository; what others wrote and what is built is left out.</summary>
    public static IReadOnlyList<MarkdownPage> All { get; } =
    [
        .. new[] { "docs", "contracts", "deploy", "src", "tests" }.Select(f => Repository.File(f))
            .SelectMany(folder => Directory.GetFiles(folder, "*.md", SearchOption.AllDirectories))
            .Concat(Directory.GetFiles(Repository.Root, "*.md"))
            .Select(file => System.IO.Path.GetRelativePath(Repository.Root, file).Replace('\\', '/'))
            .Where(path => !path.Contains("/node_modules/", StringComparison.Ordinal))
            .Order(StringComparer.Ordinal)
            .Select(path => new MarkdownPage(path, File.ReadAllText(Repository.File(path)))),
    ];

    /// <summary>Blocks between fences: the line, and the language that the fence names.</summary>
    public IEnumerable<(int Line, string Language)> Blocks()
    {
        bool isInside = false;
        string[] lines = Text.Split('\n');
        for (int i = 0; i < lines.Length; i++)
        {
            if (lines[i].StartsWith("```", StringComparison.Ordinal))
            {
                isInside = !isInside;
                if (isInside)
                {
                    yield return (i + 1, lines[i][3..].Trim());
                }
            }
        }
    }

    /// <summary>The text without the blocks between fences.</summary>
    public string Prose => Block().Replace(Text, "");

    /// <summary>What stands between backticks in a line of prose.</summary>
    public IEnumerable<string> Code => InlineCode().Matches(Prose).Select(m => m.Groups["code"].Value);

    /// <summary>Where its links lead to, those of other sites left out.</summary>
    public IEnumerable<string> Links =>
        Link().Matches(InlineCode().Replace(Prose, "")).Select(m => m.Groups["to"].Value).Where(to => !to.Contains("://", StringComparison.Ordinal) && !to.StartsWith("mailto:", StringComparison.Ordinal));

    /// <summary>The anchors of its headings, as GitHub and GitLab make them.</summary>
    public IEnumerable<string> Anchors => Heading().Matches(Prose).Select(m => NotInAnchor().Replace(m.Groups["text"].Value.Trim().ToLowerInvariant(), "").Replace(' ', '-'));

    [GeneratedRegex(@"^```.*?^```", RegexOptions.Singleline | RegexOptions.Multiline, matchTimeoutMilliseconds: 1000)]
    private static partial Regex Block();

    [GeneratedRegex(@"`(?<code>[^`\n]+)`", RegexOptions.None, matchTimeoutMilliseconds: 1000)]
    private static partial Regex InlineCode();

    [GeneratedRegex(@"\]\((?<to>[^)\s]+)\)", RegexOptions.None, matchTimeoutMilliseconds: 1000)]
    private static partial Regex Link();

    [GeneratedRegex(@"^#+ (?<text>.+)$", RegexOptions.Multiline, matchTimeoutMilliseconds: 1000)]
    private static partial Regex Heading();

    [GeneratedRegex(@"[^\p{L}\p{N} _-]", RegexOptions.None, matchTimeoutMilliseconds: 1000)]
    private static partial Regex NotInAnchor();
}
