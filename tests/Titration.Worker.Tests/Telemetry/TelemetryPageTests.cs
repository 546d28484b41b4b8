using System.Diagnostics.Metrics;
using System.Text.RegularExpressions;
using Titration.TestKit;
using Titration.Worker.Telemetry;
using Xunit;

namespace Titration.Worker.Tests.Telemetry;

/// <summary>docs/telemetry.md, dashboards and alerts against what the code has.</summary>
public sealed partial class TelemetryPageTests
{
    private static readonly string Page = File.ReadAllText(Repository.File("docs", "telemetry.md"));
    private static readonly string[] Sources = Directory.GetFiles(Repository.File("src", "Titration.Worker"), "*.cs", SearchOption.AllDirectories);

    public static TheoryData<string> Queries => ["alerts.yaml", "dashboard.json"];

    [Fact]
    public void Every_metric_stands_on_the_page_with_its_unit_and_meaning_and_no_other_does()
    {
        IEnumerable<string> documented = MetricRow().Matches(Page).Select(m => $"{m.Groups["name"].Value} {m.Groups["unit"].Value} {m.Groups["meaning"].Value}");

        Assert.Equal(
            Instruments().Select(i => $"{i.Name} {i.Unit} {i.Description}").Order(StringComparer.Ordinal), documented.Order(StringComparer.Ordinal), StringComparer.Ordinal);
    }

    [Fact]
    public void Every_attribute_of_ours_stands_on_the_page_and_no_other_does()
    {
        HashSet<string> metrics = [.. Instruments().Select(i => i.Name)];
        IEnumerable<string> inCode = Sources.SelectMany(f => Literal().Matches(File.ReadAllText(f))).Select(m => m.Groups["name"].Value).Where(n => !metrics.Contains(n)).Distinct(StringComparer.Ordinal);
        IEnumerable<string> onPage = InCode().Matches(Page).Select(m => m.Groups["name"].Value).Where(n => !metrics.Contains(n)).Distinct(StringComparer.Ordinal);

        Assert.Equal(inCode.Where(n => n is not ("titration.inbound" or "titration.db")).Order(StringComparer.Ordinal), onPage.Order(StringComparer.Ordinal), StringComparer.Ordinal);
    }

    [Theory]
    [MemberData(nameof(Queries))]
    public void Dashboards_and_alerts_ask_for_metrics_that_there_are(string file)
    {
        string[] asked = [.. Series().Matches(File.ReadAllText(Repository.File("deploy", file))).Select(m => m.Value).Distinct(StringComparer.Ordinal)];
        // The page's names are the code's: labels are attributes.
        HashSet<string> there = [.. Instruments().SelectMany(SeriesOf), .. InCode().Matches(Page).Select(m => m.Groups["name"].Value.Replace('.', '_'))];

        Assert.NotEmpty(asked);
        Assert.All(asked, name => Assert.Contains(name, there));
    }

    private static List<Instrument> Instruments()
    {
        List<Instrument> found = [];
        using MeterListener listener = new();
        listener.InstrumentPublished = (instrument, _) =>
        {
            if (instrument.Meter.Name == TitrationTelemetry.Name)
            {
                found.Add(instrument);
            }
        };
        listener.Start();
        found.Clear();
        using TitrationTelemetry telemetry = new();
        return [.. found.DistinctBy(i => i.Name)];
    }

    /// <summary>As Prometheus names what it takes by OTLP: underscores, the unit where it is one, <c>_total</c> for counters (OpenTelemetry's compatibility specification).</summary>
    private static IEnumerable<string> SeriesOf(Instrument instrument)
    {
        string name = instrument.Name.Replace('.', '_') + (instrument.Unit == "s" ? "_seconds" : "");
        return instrument.GetType().GetGenericTypeDefinition() switch
        {
            var type when type == typeof(Counter<>) => [$"{name}_total"],
            var type when type == typeof(Histogram<>) => [$"{name}_bucket", $"{name}_count", $"{name}_sum"],
            _ => [name],
        };
    }

    [GeneratedRegex(@"^\| `(?<name>titration\.[a-z.]+)` \| `(?<unit>[^`]+)` \| [^|]*\| (?<meaning>[^|]+) \|$", RegexOptions.Multiline | RegexOptions.ExplicitCapture, 1000)]
    private static partial Regex MetricRow();

    [GeneratedRegex("\"(?<name>titration\\.[a-z.]+)\"", RegexOptions.ExplicitCapture, 1000)]
    private static partial Regex Literal();

    [GeneratedRegex("`(?<name>titration\\.[a-z.]+)`", RegexOptions.ExplicitCapture, 1000)]
    private static partial Regex InCode();

    [GeneratedRegex(@"titration_[a-z_]+", RegexOptions.ExplicitCapture, 1000)]
    private static partial Regex Series();
}
