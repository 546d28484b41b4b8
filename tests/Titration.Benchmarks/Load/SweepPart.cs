using System.Collections.Immutable;
using System.Diagnostics;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;

namespace Titration.Benchmarks.Load;

/// <summary>A whole caseload falls due at once: each course a new decision with a message to the patient, and then once more with nothing to change.</summary>
internal static class SweepPart
{
    public const string Name = "sweep";

    public static async Task<ImmutableArray<Figure>> RunAsync(LoadServices services, int courses, CancellationToken cancellationToken)
    {
        await using LoadSite site = await LoadSite.CreateAsync(services, "shadow", cancellationToken);
        Progress.Say($"sweep: a caseload of {courses:N0} whose next check-in is due");
        await new Caseload(site, daysSinceCheckIn: 7).FillAsync(0, courses, cancellationToken);
        await site.SettleAsync(cancellationToken);
        long before = await DecisionsAsync();
        Sweep deciding = await SweepAsync(site, cancellationToken);
        if (await DecisionsAsync() - before != courses)
        {
            throw new InvalidOperationException("Not every course was decided about.");
        }

        await using (TitrationDbContext database = site.Open())
        {
            await database.Database.ExecuteSqlAsync($"UPDATE patient SET next_look = now()", cancellationToken);
        }

        await site.SettleAsync(cancellationToken);
        Sweep looking = await SweepAsync(site, cancellationToken);
        if (await DecisionsAsync() - before != courses)
        {
            throw new InvalidOperationException("A look without anything new has decided something.");
        }

        return
        [
            new Figure(Name, $"{courses:N0} due courses, each a new decision", "s", deciding.Seconds, "at most 60 for 100,000"),
            new Figure(Name, "each fifth of the new decisions", "s", deciding.Fifths),
            new Figure(Name, $"{courses:N0} due courses, nothing to change", "s", looking.Seconds, "at most 60 for 100,000"),
            new Figure(Name, "each fifth of those with nothing to change", "s", looking.Fifths),
            new Figure(Name, "processor time of the worker for a new decision", "ms", 1000 * deciding.Processor / courses, "start-up included"),
            new Figure(Name, "processor time of the worker for a look", "ms", 1000 * looking.Processor / courses, "start-up included"),
            new Figure(Name, "memory of the worker, most", "MB", Math.Max(deciding.Memory, looking.Memory), "at most 400"),
        ];

        Task<long> DecisionsAsync() => site.CountAsync($"""SELECT count(*) AS "Value" FROM decision""", cancellationToken);
    }

    /// <summary>Starts a worker, which looks at what is due at once, and waits until nothing is.</summary>
    private static async Task<Sweep> SweepAsync(LoadSite site, CancellationToken cancellationToken)
    {
        await using ClinicWorker worker = await site.StartWorkerAsync(cancellationToken);
        long start = Stopwatch.GetTimestamp();
        await site.UntilNobodyIsDueAsync(cancellationToken, TimeSpan.FromHours(1));
        double seconds = Stopwatch.GetElapsedTime(start).TotalSeconds;
        Progress.Say($"sweep: {seconds:N1} s");
        await using TitrationDbContext database = site.Open();
        List<double> fifths = await database.Database.SqlQuery<double>(
            $"""
            SELECT EXTRACT(epoch FROM max(evaluated_at) - min(evaluated_at))::float8 AS "Value"
            FROM (SELECT evaluated_at, ntile(5) OVER (ORDER BY evaluated_at) AS fifth FROM course) AS looked GROUP BY fifth ORDER BY fifth
            """).ToListAsync(cancellationToken);
        return new Sweep(seconds, [.. fifths], worker.PeakResident / 1e6, worker.ProcessorTime.TotalSeconds);
    }

    /// <param name="Seconds">From the end of the worker's start-up.</param>
    /// <param name="Fifths">Seconds for each fifth of the courses, one after the other, by the worker's own clock.</param>
    /// <param name="Memory">The most it had, MB.</param>
    /// <param name="Processor">Seconds of processor time, its start-up included.</param>
    private sealed record Sweep(double Seconds, ImmutableArray<double> Fifths, double Memory, double Processor);
}
