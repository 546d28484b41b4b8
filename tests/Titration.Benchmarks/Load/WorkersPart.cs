using System.Collections.Immutable;

namespace Titration.Benchmarks.Load;

/// <summary>One worker, then two on the same queue and database. On a machine whose cores are busy with one already, the second shows what sharing costs.</summary>
internal static class WorkersPart
{
    public const string Name = "workers";

    public static async Task<ImmutableArray<Figure>> RunAsync(LoadServices services, int messages, int rounds, CancellationToken cancellationToken)
    {
        await using LoadSite site = await LoadSite.CreateAsync(services, "shadow", cancellationToken);
        Caseload caseload = new(site, InboundPart.DaysSinceCheckIn);
        await caseload.FillAsync(0, 2 * messages * (rounds + 1), cancellationToken);
        await site.SettleAsync(cancellationToken);
        await using ClinicWorker first = await site.StartWorkerAsync(cancellationToken);
        ImmutableArray<double> one = await RatesAsync(site, [first], caseload, 0, messages, rounds, cancellationToken);
        await using ClinicWorker second = await site.StartWorkerAsync(cancellationToken);
        ImmutableArray<double> two = await RatesAsync(site, [first, second], caseload, messages * (rounds + 1), messages, rounds, cancellationToken);
        return
        [
            new Figure(Name, "one worker", "/s", one),
            new Figure(Name, "two workers", "/s", two),
            new Figure(Name, "two workers to one", "", Figure.Quantile(two, 0.5) / Figure.Quantile(one, 0.5), $"{Environment.ProcessorCount} cores for everything"),
        ];
    }

    private static async Task<ImmutableArray<double>> RatesAsync(
        LoadSite site, ImmutableArray<ClinicWorker> workers, Caseload caseload, int from, int messages, int rounds, CancellationToken cancellationToken)
    {
        List<double> rates = [];
        for (int round = 0; round <= rounds; round++)
        {
            rates.Add(await Backlog.RateAsync(site, workers, InboundPart.Messages(caseload, from + (round * messages), messages), cancellationToken));
            Progress.Say($"workers: {workers.Length}, {(round == 0 ? "warm-up" : $"round {round} of {rounds}")}: {rates[^1]:N0}/s");
        }

        return [.. rates[1..]];
    }
}
