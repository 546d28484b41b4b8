using System.Collections.Immutable;
using BenchmarkDotNet.Attributes;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.TestKit;

namespace Titration.Benchmarks;

/// <summary>
/// One evaluation of a course by the length of its history; 20 facts and more are a check-in each week, with an order before them. The baseline is
/// sorting the same facts by their time: what any evaluation over all facts has to do at least.
/// </summary>
[MemoryDiagnoser]
public class EvaluationBenchmarks
{
    private PatientHistory _history = new("p1", []);
    private AsOf _asOf;

    /// <summary>Facts of the history, the order among them.</summary>
    [Params(1, 21, 200, 2000)]
    public int Facts { get; set; }

    [GlobalSetup]
    public void Prepare()
    {
        Story story = new Story().Order("2024-03-01T10:00", tube: 30m, fills: 50);
        DateTime first = new(2024, 3, 1, 19, 0, 0, DateTimeKind.Unspecified);
        for (int i = 1; i < Facts; i++)
        {
            // Weekly while the history fits into half a year, else as close as it takes for two years.
            double days = Facts <= 27 ? 7d * i : 730d * i / Facts;
            story.CheckIn(first.AddDays(days).ToString("yyyy-MM-ddTHH:mm", null), i % 3 == 0 ? "1011" : "0110", applied: 3);
        }

        _history = new PatientHistory("p1", story.Facts);
        _asOf = new AsOf(story.Local(Facts <= 27 ? "2024-08-30T06:00" : "2026-03-02T06:00"), story.Zone);
    }

    [Benchmark(Baseline = true)]
    public Fact SortFacts() => _history.Facts.Sort((a, b) => Nullable.Compare(a.Source.LastUpdated, b.Source.LastUpdated))[0];

    [Benchmark]
    public ImmutableArray<Evaluation> Evaluate() => TitrationPolicy.Evaluate(_history, Story.Standard, _asOf);
}
