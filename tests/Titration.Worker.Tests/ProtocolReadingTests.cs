using System.Text;
using Titration.TestKit;
using Titration.Worker.Configuration;
using Xunit;

namespace Titration.Worker.Tests;

public sealed class ProtocolReadingTests
{
    private static readonly string Shipped = File.ReadAllText(Repository.File("contracts", "protocols", "topical-retinoid-titration.json"));

    [Fact]
    public void The_protocol_that_comes_with_the_service_follows_the_schema_and_has_no_problems()
    {
        ProtocolReading reading = Read(Shipped);
        Assert.Empty(reading.Problems);
        Assert.NotNull(reading.Protocol);
    }

    [Theory]
    [InlineData("\"minimumExposure\": 0.7", "\"minimumExposure\": 70", "/stepUp/minimumExposure", "at most 1")]
    [InlineData("\"lastingDays\": 7, ", "", "/severity", "lacks \"lastingDays\"")]
    [InlineData("\"lastingDays\": 7", "\"lastingDays\": 7, \"lastingDay\": 7", "/severity/lastingDay", "misspelt")]
    [InlineData("\"faceMaximumGrams\": 0.5", "\"faceMaximumGrams\": \"0.5\"", "/dose/faceMaximumGrams", "should be \"number\"")]
    [InlineData("\"finding\": \"hives\", \"effect\": \"discontinue\"", "\"finding\": \"hives\", \"effect\": \"stop\"", "/findings/2/effect", "none of \"discontinue\", ")]
    [InlineData("\"overUse\": 1.5", "\"overUse\": 1.5, \"overUse\": 2", "/supply/overUse", "twice")]
    [InlineData("\"restartNights\": 43", "\"restartNights\": 12", "/gaps/restartNights", "more than the 15")]
    public void A_change_is_a_problem_on_its_line(string from, string to, string path, string says)
    {
        ProtocolFileProblem problem = Assert.Single(Read(Changed(from, to)).Problems);
        Assert.Equal(path, problem.Path);
        Assert.Contains(says, problem.Problem, StringComparison.Ordinal);
        Assert.Equal(LineOf(from), problem.Line);
    }

    [Fact]
    public void Text_that_is_no_JSON_is_a_problem_on_the_line_where_it_breaks()
    {
        ProtocolFileProblem problem = Assert.Single(Read(Changed("\"gaps\": {", "\"gaps\": {,")).Problems);
        Assert.Equal(LineOf("\"gaps\": {"), problem.Line);
        Assert.DoesNotContain("LineNumber", problem.Problem, StringComparison.Ordinal);
    }

    [Fact]
    public void What_the_schema_and_what_the_validator_finds_is_listed_together_in_the_order_of_lines()
    {
        string text = Changed("\"restartNights\": 43", "\"restartNights\": 12").Replace("\"minimumExposure\": 0.7", "\"minimumExposure\": 1.7", StringComparison.Ordinal);
        Assert.Collection(
            Read(text).Problems,
            first => Assert.Equal("/stepUp/minimumExposure", first.Path),
            second => Assert.Equal("/gaps/restartNights", second.Path));
    }

    [Fact]
    public void A_service_with_a_wrong_protocol_gets_every_problem_and_no_policy()
    {
        string file = Path.GetTempFileName();
        try
        {
            File.WriteAllText(file, Changed("\"restartNights\": 43", "\"restartNights\": 12").Replace("[0.1, 0.3]", "[0.3, 0.1]", StringComparison.Ordinal));
            List<string> problems = [];
            Assert.Null(ClinicPolicy.Load(file, "", "", TimeZoneInfo.Utc, problems));
            Assert.Collection(
                problems,
                first => Assert.Contains($"{file}:{LineOf("\"restartNights\"")}: /gaps/restartNights: ", first, StringComparison.Ordinal),
                second => Assert.Contains("/products/1/strengthsPercent/1: ", second, StringComparison.Ordinal));
        }
        finally
        {
            File.Delete(file);
        }
    }

    private static ProtocolReading Read(string text) => ProtocolReading.Of(Encoding.UTF8.GetBytes(text));

    private static string Changed(string from, string to)
    {
        Assert.Contains(from, Shipped, StringComparison.Ordinal);
        return Shipped.Replace(from, to, StringComparison.Ordinal);
    }

    private static int LineOf(string text) => Shipped[..Shipped.IndexOf(text, StringComparison.Ordinal)].Count(c => c == '\n') + 1;
}
