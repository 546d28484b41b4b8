using System.Reflection;
using System.Xml.Linq;
using Titration.Protocol.Rules;
using Titration.TestKit;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>Rules of the codebase, each beside a case that it refuses.</summary>
public sealed class CodebaseTests
{
    private const int LongestFile = 300;

    [Fact]
    public void The_core_refers_to_no_package_and_no_project() =>
        Assert.Empty(ReferencesIn(XDocument.Load(Repository.File("src", "Titration.Protocol", "Titration.Protocol.csproj"))));

    [Fact]
    public void The_check_of_references_sees_them_in_a_project_that_has_some() =>
        Assert.Contains(
            "../Titration.Protocol/Titration.Protocol.csproj", ReferencesIn(XDocument.Load(Repository.File("src", "Titration.Fhir", "Titration.Fhir.csproj"))), StringComparer.Ordinal);

    [Fact]
    public void No_file_in_src_is_longer_than_300_lines() => Assert.Empty(
        Directory.GetFiles(Repository.File("src"), "*.cs", SearchOption.AllDirectories)
            .Where(file => !file.Contains($"{Path.DirectorySeparatorChar}Migrations{Path.DirectorySeparatorChar}", StringComparison.Ordinal))
            .Where(file => IsTooLong(File.ReadLines(file)))
            .Select(file => Path.GetRelativePath(Repository.Root, file)));

    [Theory]
    [InlineData(LongestFile, false)]
    [InlineData(LongestFile + 1, true)]
    public void The_check_of_lengths_sees_the_301st_line(int lines, bool tooLong) => Assert.Equal(tooLong, IsTooLong(Enumerable.Repeat("", lines)));

    [Fact]
    public void Every_rule_stands_in_the_description_of_the_protocol()
    {
        string file = Repository.File("docs", "protocol.md");
        Assert.Empty(File.Exists(file) ? MissingIn(File.ReadAllText(file)) : []);
    }

    [Fact]
    public void The_check_of_rules_sees_one_that_is_missing()
    {
        Assert.Contains(RuleIds.Evidence, MissingIn($"`{RuleIds.Exposure}` and evidence without a mark"), StringComparer.Ordinal);
        Assert.DoesNotContain(RuleIds.Exposure, MissingIn($"`{RuleIds.Exposure}`"), StringComparer.Ordinal);
    }

    private static IEnumerable<string> ReferencesIn(XDocument project) =>
        project.Descendants().Where(e => e.Name.LocalName is "PackageReference" or "ProjectReference" or "Reference").Select(e => e.Attribute("Include")?.Value ?? "");

    private static bool IsTooLong(IEnumerable<string> lines) => lines.Count() > LongestFile;

    private static IEnumerable<string> MissingIn(string text) => typeof(RuleIds).GetFields(BindingFlags.Public | BindingFlags.Static)
        .Select(f => (string)f.GetValue(null)!).Where(id => !text.Contains($"`{id}`", StringComparison.Ordinal));
}
