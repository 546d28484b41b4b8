using System.Collections.Immutable;
using System.Diagnostics;

namespace Titration.Benchmarks.Load;

/// <summary>Twice as much comes for a while as can be taken in: what becomes of the worker's memory, and how long until nothing waits any more.</summary>
internal static class OverloadPart
{
    public const string Name = "overload";

    private const int Burst = 10_000;

    /// <summary>The last of them is what it can take in, the others warm up: twice of what a cold one manages is no overload.</summary>
    private const int Bursts = 4;

    private static readonly TimeSpan Every = TimeSpan.FromSeconds(1);

    public static async Task<ImmutableArray<Figure>> RunAsync(LoadServices services, int seconds, CancellationToken cancellationToken)
    {
        await using LoadSite site = await LoadSite.CreateAsync(services, "shadow", cancellationToken);
        Caseload caseload = new(site, InboundPart.DaysSinceCheckIn);
        await caseload.FillAsync(0, Bursts * Burst, cancellationToken);
        await site.SettleAsync(cancellationToken);
        await using ClinicWorker worker = await site.StartWorkerAsync(cancellationToken);
        double capacity = 0;
        for (int burst = 0; burst < Bursts; burst++)
        {
            capacity = await Backlog.RateAsync(site, [worker], InboundPart.Messages(caseload, burst * Burst, Burst), cancellationToken);
        }

        double rate = 2 * capacity;
        int count = (int)(rate * seconds);
        Progress.Say($"overload: it takes in {capacity:N0}/s; {rate:N0}/s come for {seconds} s, {count:N0} in all");
        await caseload.FillAsync(Bursts * Burst, count, cancellationToken);
        await site.SettleAsync(cancellationToken);
        ImmutableArray<ClinicMessage> messages = InboundPart.Messages(caseload, Bursts * Burst, count);
        double before = worker.Resident / 1e6;
        List<double> resident = [];
        using CancellationTokenSource done = CancellationTokenSource.CreateLinkedTokenSource(cancellationToken);
        Task sampling = SampleAsync(worker, resident, done.Token);
        await OpenLoop.PublishAsync(site, messages, rate, cancellationToken);
        long end = Stopwatch.GetTimestamp();
        await Backlog.EmptyAsync(site, [worker], cancellationToken);
        double recovery = Stopwatch.GetElapsedTime(end).TotalSeconds;
        await done.CancelAsync();
        await sampling;
        return
        [
            new Figure(Name, "taken in before", "/s", capacity),
            new Figure(Name, $"twice that for {seconds} s, then until nothing waits", "s", recovery, $"by the rate alone {seconds}"),
            new Figure(Name, "memory of the worker before", "MB", before),
            new Figure(Name, "memory of the worker meanwhile, each second", "MB", [.. resident], "flat"),
            new Figure(Name, "memory of the worker, last tenth to first tenth", "", Mean(resident[^Math.Max(1, resident.Count / 10)..]) / Mean(resident[..Math.Max(1, resident.Count / 10)]), "near 1"),
        ];
    }

    private static double Mean(List<double> values) => values.Average();

    private static async Task SampleAsync(ClinicWorker worker, List<double> resident, CancellationToken cancellationToken)
    {
        using PeriodicTimer timer = new(Every);
        try
        {
            do
            {
                resident.Add(worker.Resident / 1e6);
            }
            while (await timer.WaitForNextTickAsync(cancellationToken));
        }
        catch (OperationCanceledException)
        {
            // Done.
        }
    }
}
