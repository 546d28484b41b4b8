using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Storage.Model;

namespace Titration.Storage.Delivery;

/// <summary>A decision without the patient it is about.</summary>
/// <param name="Id">Its id; null: the patient was erased, and with it what was decided.</param>
/// <param name="DecidedAt">When.</param>
/// <param name="Outcome">What; null where the course ended, or was erased.</param>
/// <param name="Rule">The rule that decided; empty where none did.</param>
/// <param name="PolicyHash">By which policy.</param>
public sealed record RecentDecision(Guid? Id, DateTimeOffset DecidedAt, Outcome? Outcome, string Rule, string PolicyHash);

/// <summary>What the status page shows and the gauges do not. Each goes by an index, or over a table that holds only what was set aside.</summary>
public static class StatusQueries
{
    /// <summary>Unsent entries of the outbox by rank: 0 stat, 1 urgent, 2 routine.</summary>
    public static async Task<ImmutableSortedDictionary<int, int>> UnsentByRankAsync(this TitrationDbContext database, CancellationToken cancellationToken) =>
        (await database.Outbox.Where(o => o.State == OutboxState.Pending || o.State == OutboxState.Leased).GroupBy(o => o.Rank)
            .Select(g => new { g.Key, Count = g.Count() }).ToListAsync(cancellationToken)).ToImmutableSortedDictionary(g => g.Key, g => g.Count);

    /// <summary>Resources that wait, by the code of the reason.</summary>
    public static async Task<ImmutableSortedDictionary<string, int>> WaitingByReasonAsync(this TitrationDbContext database, CancellationToken cancellationToken) =>
        (await database.Waiting.GroupBy(w => w.Reason).Select(g => new { g.Key, Count = g.Count() }).ToListAsync(cancellationToken))
            .ToImmutableSortedDictionary(g => g.Key.Code(), g => g.Count, StringComparer.Ordinal);

    /// <summary>The newest decisions of the whole clinic, newest first.</summary>
    public static async Task<ImmutableArray<RecentDecision>> RecentDecisionsAsync(this TitrationDbContext database, int most, CancellationToken cancellationToken)
    {
        List<DecisionRow> newest = await database.Decisions.AsNoTracking().OrderByDescending(d => d.DecidedAt).Take(most).ToListAsync(cancellationToken);
        Guid[] chains = [.. newest.Select(d => d.ChainId).Distinct()];
        long least = newest.Count > 0 ? newest.Min(d => d.Sequence) : 0;
        var contents = (await database.DecisionContents.Where(c => chains.Contains(c.ChainId) && c.Sequence >= least)
            .Select(c => new { c.ChainId, c.Sequence, c.DecisionId, c.Outcome, c.Rule }).ToListAsync(cancellationToken)).ToDictionary(c => (c.ChainId, c.Sequence));
        return
        [
            .. newest.Select(d => contents.TryGetValue((d.ChainId, d.Sequence), out var content)
                ? new RecentDecision(content.DecisionId, d.DecidedAt, content.Outcome, content.Rule, d.PolicyHash)
                : new RecentDecision(null, d.DecidedAt, null, "", d.PolicyHash)),
        ];
    }
}
