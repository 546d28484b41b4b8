using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Worker.Configuration;

namespace Titration.Worker.Deciding;

/// <summary>This worker's files are not the policy that the clinic has adopted: it decides nothing until they are.</summary>
public sealed class PolicyNotInForceException(string problem) : InvalidOperationException(problem);

/// <summary>When a policy is in force.</summary>
/// <param name="Since">From when on the clinic decides by it; null: it took no other's place.</param>
/// <param name="Until">When the next one that was adopted takes its place; null: none was.</param>
public readonly record struct PolicyTime(DateTimeOffset? Since, DateTimeOffset? Until);

/// <summary>Whether this worker may decide: only by the policy that is in force.</summary>
public sealed class PolicyGate(IDbContextFactory<TitrationDbContext> contexts, Settings settings, TimeProvider time)
{
    /// <summary>For so long an answer holds: within it workers follow an adoption.</summary>
    private static readonly TimeSpan Holds = TimeSpan.FromSeconds(5);

    private volatile Answer? _last;

    /// <summary>What stands in the way, in one line; null: nothing.</summary>
    public async Task<string?> ProblemAsync(CancellationToken cancellationToken) => (await AskAsync(cancellationToken)).Problem;

    /// <exception cref="PolicyNotInForceException">It may not.</exception>
    public async Task<PolicyTime> RequireAsync(CancellationToken cancellationToken)
    {
        Answer answer = await AskAsync(cancellationToken);
        return answer.Problem is { } problem ? throw new PolicyNotInForceException(problem) : answer.Time;
    }

    private async Task<Answer> AskAsync(CancellationToken cancellationToken)
    {
        DateTimeOffset now = time.GetUtcNow();
        if (_last is { } last && (now - last.At).Duration() < Holds)
        {
            return last;
        }

        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        PolicyAdoptions adopted = await database.AdoptedAsync(cancellationToken);
        string? problem = adopted.MayDecideBy(settings.Policy.Hash, now)
            ? null
            : $"policy {settings.Policy.Hash[..12]} of this worker's files (protocol, mapping, wording, time zone, whom it follows) is not the one in force here; give it the adopted files, or run: titration protocol adopt";
        Answer answer = new(now, problem, new PolicyTime(adopted.SinceOf(settings.Policy.Hash, now), adopted.Next(now)?.EffectiveFrom));
        _last = answer;
        return answer;
    }

    private sealed record Answer(DateTimeOffset At, string? Problem, PolicyTime Time);
}
