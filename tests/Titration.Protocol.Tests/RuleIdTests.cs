using System.Reflection;
using Titration.Protocol.Rules;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests;

public sealed class RuleIdTests
{
    private static readonly string Page = File.ReadAllText(Repository.File("docs", "protocol.md"));

    public static TheoryData<string> Ids =>
        [.. typeof(RuleIds).GetFields(BindingFlags.Public | BindingFlags.Static).Where(f => f.IsLiteral).Select(f => (string)f.GetRawConstantValue()!)];

    [Theory]
    [MemberData(nameof(Ids))]
    public void Every_rule_has_its_row_in_the_protocol_page(string id) => Assert.True(HasRow(id), $"docs/protocol.md has no row for {id}");

    [Fact]
    public void A_rule_that_does_not_exist_has_none() => Assert.False(HasRow("no-such-rule"));

    private static bool HasRow(string id) => Page.Contains($"\n| `{id}` | ", StringComparison.Ordinal);
}
