using System.Collections.Immutable;
using System.Diagnostics;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Ledger;

namespace Titration.Benchmarks.Load;

/// <summary>What a message, a due look and a look at the due list cost by the number of courses in the database.</summary>
internal static class GrowthPart
{
    public const string Name = "growth";

    private const int Some = 1000;

    /// <summary>On a worker just started a message costs twice what it does later, which would hide what the caseload's size does.</summary>
    private const int WarmUp = 10;
    private const int Rounds = 5;

    public static async Task<ImmutableArray<Figure>> RunAsync(LoadServices services, IEnumerable<int> sizes, CancellationToken cancellationToken)
    {
        await using LoadSite site = await LoadSite.CreateAsync(services, "shadow", cancellationToken, sweepSeconds: 1);
        Caseload caseload = new(site, InboundPart.DaysSinceCheckIn);
        List<Figure> figures = [];
        int before = 0;
        foreach (int size in sizes.Distinct().Order())
        {
            Progress.Say($"growth: {size:N0} courses");
            await caseload.FillAsync(before, size - before, cancellationToken);
            await site.SettleAsync(cancellationToken);
            figures.Add(new Figure(Name, $"{size:N0} courses: a look at the due list", "ms", await DueListAsync(site, cancellationToken)));
            // The newest patients: those of a smaller size have had their messages.
            int some = Math.Min(size - before, Some);
            await using ClinicWorker worker = await site.StartWorkerAsync(cancellationToken);
            List<double> message = [], look = [];
            for (int round = 0; round < WarmUp + Rounds; round++)
            {
                ImmutableArray<ClinicMessage> messages = InboundPart.Messages(caseload, size - some, some, round);
                message.Add(1000 / await Backlog.RateAsync(site, [worker], messages, cancellationToken));
                look.Add(await LookAsync(site, messages[0].Patient, cancellationToken));
            }

            figures.Add(new Figure(Name, $"{size:N0} courses: a message", "ms", [.. message[WarmUp..]]));
            figures.Add(new Figure(Name, $"{size:N0} courses: a due look", "ms", [.. look[WarmUp..]]));
            before = size;
        }

        return [.. figures];
    }

    /// <summary>Asks which patients are due, in a database where none is.</summary>
    private static async Task<ImmutableArray<double>> DueListAsync(LoadSite site, CancellationToken cancellationToken)
    {
        List<double> milliseconds = [];
        for (int i = 0; i < 50; i++)
        {
            await using TitrationDbContext database = site.Open();
            await database.Database.OpenConnectionAsync(cancellationToken);
            long start = Stopwatch.GetTimestamp();
            await database.DueAsync(TimeProvider.System.GetUtcNow(), TimeSpan.FromSeconds(20), 100, cancellationToken);
            milliseconds.Add(Stopwatch.GetElapsedTime(start).TotalMilliseconds);
        }

        return [.. milliseconds[10..]];
    }

    /// <summary>Makes some due; from the first look to the last by the worker's own clock, for each of them.</summary>
    private static async Task<double> LookAsync(LoadSite site, string from, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = site.Open();
        int made = await database.Database.ExecuteSqlAsync($"UPDATE patient SET next_look = now() WHERE id >= {from}", cancellationToken);
        await site.UntilNobodyIsDueAsync(cancellationToken);
        double seconds = await database.Database.SqlQuery<double>(
            $"""SELECT EXTRACT(epoch FROM max(evaluated_at) - min(evaluated_at))::float8 AS "Value" FROM course WHERE patient >= {from}""").SingleAsync(cancellationToken);
        return 1000 * seconds / made;
    }
}
