using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>The pages in a real browser: wide and narrow, light and dark, with the keyboard, on paper.</summary>
public sealed class PagesTests : IDisposable
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();
    private readonly string _folder = Directory.CreateTempSubdirectory("titration-pages-").FullName;

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public void Dispose() => Directory.Delete(_folder, recursive: true);

    [Fact]
    public async Task Status_page_and_course_report_can_be_read_by_everybody_and_load_nothing()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using RunningWorker worker = await parts.StartAsync(TimeProvider.System, Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "p1");
        await parts.Broker.PublishAsync(Cancelled, _days.Order("p1"), _days.CheckIn("p1", 6, 3), _days.CheckIn("p1", 14, 4), _days.CheckIn("p1", 21, 4, burning: 2), _days.Swelling("p1", 24));
        await Eventually.HoldsAsync("the course is stopped", async () => (await WorkerState.OutcomesAsync(parts, Cancelled)).Any(o => $"{o}".Contains("Discontinue", StringComparison.Ordinal)), Cancelled);
        string report = Path.Combine(_folder, "p1.html");
        Dictionary<string, string> settings = parts.Settings();
        CommandOutput written = await TitrationProcess.RunAsync(_folder, null, settings, ["course", "report", "p1", "--output", report], Cancelled);

        Assert.Equal((0, ""), (written.ExitCode, written.Errors));
        Assert.Equal("", await LookAsync(new Uri(report).AbsoluteUri, mostSheets: 8));
        Assert.Equal("", await LookAsync($"http://localhost:{worker.Address.Port}/status", mostSheets: 3));
    }

    [Fact]
    public async Task The_look_finds_what_is_broken()
    {
        string found = await LookAsync(new Uri(Repository.File("tests", "browser", "broken.html")).AbsoluteUri, mostSheets: 0);

        Assert.All(
            [
                "no language", "no title", "scrolls sideways", "heading of level 3 after level 1", "id twice", "link to what is not there", "table without caption", "th without scope", "image without alt",
                "drawing without title and desc", "no main", "contrast 2.85", "text on text", "console error", "asks for http://127.0.0.1:9/missing.png", "cannot be seen", "sheets of paper",
            ],
            problem => Assert.Contains(problem, found, StringComparison.Ordinal));
    }

    private static async Task<string> LookAsync(string address, int mostSheets)
    {
        (int code, string chromium, string problem) = await Node.ExecuteAsync("bash", ["-c", ". tests/services/lib.sh; find_chromium"], Cancelled);
        Assert.True(code == 0, problem);
        (code, string output) = await Node.RunAsync("browser", "look.mjs", Cancelled, chromium.Trim(), address, $"{mostSheets}");
        return code == 0 || output.Length > 0 ? output.Trim() : $"exit code {code}";
    }
}
