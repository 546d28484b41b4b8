using Titration.TestKit;
using Titration.Worker.Tests.Ledger;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary><c>titration demo</c> as a user runs it.</summary>
[Collection(PlayedClinicTests.Name)]
public sealed class DemoCommandTests(PlayedClinic played)
{
    private const int Checks = 5;

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public void Half_a_year_of_a_clinic_with_prescribers_who_answer_ignore_and_decline_breaks_no_limit()
    {
        CommandOutput clinic = played.Demo;

        Assert.True(clinic.ExitCode == 0, clinic.Output + clinic.Errors);
        string[] lines = clinic.Output.Split('\n', StringSplitOptions.TrimEntries);
        Assert.Equal(Checks, lines.Count(l => l.StartsWith("holds ", StringComparison.Ordinal)));

        // Something of everything happened: a check on nothing would hold as well.
        Assert.All(["in force", "declined", "unanswered", "withdrawn unanswered", "check-in-request to patient", "care-advice to patient", "safety-referral to clinic"],
            what => Assert.Contains(lines, l => l.Contains(what, StringComparison.Ordinal)));
        TestContext.Current.TestOutputHelper?.WriteLine(clinic.Output[clinic.Output.IndexOf("in figures", StringComparison.Ordinal)..]);
    }

    [Fact]
    public async Task The_same_seed_plays_the_same_clinic()
    {
        string[] arguments = ["--patients", "20", "--days", "30", "--seed", "7", "--patient"];
        CommandOutput unknown = await DemoAsync([.. arguments, "nobody-1"]);
        Assert.Equal(2, unknown.ExitCode);
        Assert.Contains("nobody-1", unknown.Errors, StringComparison.Ordinal);

        CommandOutput first = await DemoAsync([.. arguments, "birch-2"]);
        CommandOutput second = await DemoAsync([.. arguments, "birch-2"]);
        Assert.Equal(WithoutTimes(first.Output), WithoutTimes(second.Output));
    }

    [Theory]
    [InlineData("--patients", "0")]
    [InlineData("--days", "731")]
    [InlineData("--days", "abc")]
    [InlineData("--patients", "1.5")]
    public async Task A_clinic_out_of_range_is_refused(string option, string value)
    {
        CommandOutput refused = await DemoAsync(option, value);
        Assert.NotEqual(0, refused.ExitCode);
        Assert.Contains($"{option} takes 1 to", refused.Errors, StringComparison.Ordinal);
    }

    private static async Task<CommandOutput> DemoAsync(params string[] arguments)
    {
        using TemporaryFolder folder = new();
        return await TitrationProcess.RunAsync(folder.Path, input: null, new Dictionary<string, string>(StringComparer.Ordinal), ["demo", .. arguments], Cancelled);
    }

    // From the first heading on, without the last line: how long it took.
    private static string WithoutTimes(string output) => output[output.IndexOf('─', StringComparison.Ordinal)..output.IndexOf("days played", StringComparison.Ordinal)];
}
