using System.Collections.Immutable;
using System.Data.Common;
using Microsoft.EntityFrameworkCore;
using Microsoft.Extensions.Diagnostics.HealthChecks;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Pages;

/// <summary>A part that readiness looks at.</summary>
/// <param name="Name">Its name.</param>
/// <param name="IsReady">Whether it is ready.</param>
/// <param name="Why">Why it is not; empty where it is, or says nothing.</param>
internal sealed record PartState(string Name, bool IsReady, string Why);

/// <summary>What the database holds for the page.</summary>
/// <param name="Mode">By whom and since when the mode is as it is; null: none was chosen yet, and nothing is sent.</param>
/// <param name="Depths">As the gauges show them.</param>
/// <param name="UnsentByRank">0 stat, 1 urgent, 2 routine.</param>
/// <param name="WaitingByReason">Resources that cannot be used yet.</param>
/// <param name="UnmappedCodes">Codes that no mapping knew when they came.</param>
/// <param name="Decisions">The newest, newest first.</param>
internal sealed record StatusFigures(
    ModeChangeRow? Mode, Depths Depths, ImmutableSortedDictionary<int, int> UnsentByRank, ImmutableSortedDictionary<string, int> WaitingByReason, int UnmappedCodes,
    ImmutableArray<RecentDecision> Decisions);

/// <summary>How the service stands, without a word about any patient.</summary>
/// <param name="At">When it was looked at.</param>
/// <param name="Parts">What readiness looks at.</param>
/// <param name="Figures">Null: the database could not be asked.</param>
internal sealed record ServiceStatus(DateTimeOffset At, ImmutableArray<PartState> Parts, StatusFigures? Figures)
{
    public bool IsReady => Parts.All(p => p.IsReady);
}

/// <summary>Looks at how the service stands. The figures that cost more than an index are those of the last look, every 15 seconds.</summary>
internal sealed class StatusReader(
    IDbContextFactory<TitrationDbContext> contexts, HealthCheckService health, TitrationTelemetry telemetry, Watch watch, Settings settings, TimeProvider time)
{
    public const int MostDecisions = 20;

    public Settings Settings => settings;

    public async Task<ServiceStatus> LookAsync(CancellationToken cancellationToken)
    {
        HealthReport report = await health.CheckHealthAsync(cancellationToken);
        ImmutableArray<PartState> parts =
        [
            .. report.Entries.OrderBy(e => e.Key, StringComparer.Ordinal).Select(e => new PartState(
                NameOf(e.Key), e.Value.Status == HealthStatus.Healthy, e.Value.Status == HealthStatus.Healthy ? "" : e.Value.Description ?? e.Value.Exception?.GetType().Name ?? "not ready")),
        ];
        return new ServiceStatus(time.GetUtcNow(), parts, await FiguresAsync(cancellationToken));
    }

    private async Task<StatusFigures?> FiguresAsync(CancellationToken cancellationToken)
    {
        try
        {
            Depths depths = telemetry.LastReported ?? await watch.LookAsync(cancellationToken);
            await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
            return new StatusFigures(
                await database.ModeChangeAsync(cancellationToken), depths, await database.UnsentByRankAsync(cancellationToken), await database.WaitingByReasonAsync(cancellationToken),
                await database.UnmappedCodes.CountAsync(cancellationToken), await database.RecentDecisionsAsync(MostDecisions, cancellationToken));
        }
        catch (DbException)
        {
            // The page says so, and readiness why.
            return null;
        }
    }

    private static string NameOf(string check) => check switch
    {
        "ready" => "database",
        "masstransit-bus" => "message bus",
        _ => check,
    };
}
