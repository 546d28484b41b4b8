using System.Collections.Immutable;
using System.Runtime.CompilerServices;
using System.Text.Json;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.Worker.Configuration;

namespace Titration.Worker.Replaying;

/// <summary>A recorded decision, evaluated again.</summary>
/// <param name="Link">Its place in the chain.</param>
/// <param name="Content">What was recorded.</param>
/// <param name="Recorded">The recorded evaluation; null where this version cannot read it.</param>
/// <param name="Again">The evaluation now; null where there is none, see <paramref name="Problem"/>.</param>
/// <param name="Problem">Why it could not be evaluated; null where it could.</param>
public sealed record ReplayedDecision(DecisionRow Link, DecisionContentRow Content, Evaluation? Recorded, Evaluation? Again, string? Problem)
{
    /// <summary>Whether the evaluation comes out with the very bytes that were recorded.</summary>
    public bool IsIdentical => Again is not null && StoredJson.Write(Again).AsSpan().SequenceEqual(Content.Content);
}

/// <summary>
/// Evaluates recorded decisions again: from the facts that each knew, at its instant, by the policy it was made by, all out of the database alone; or by
/// another protocol in its place. What followed from another decision is not played: each stands for itself.
/// </summary>
/// <param name="database">Within a snapshot, where the service runs meanwhile.</param>
/// <param name="other">The protocol to evaluate by; null: the recorded one.</param>
public sealed class LedgerReplay(TitrationDbContext database, ProtocolDefinition? other)
{
    /// <summary>A policy that was not recorded, or is no longer what its hash says.</summary>
    public const string PolicyMissing = "the policy is not in the record";

    /// <summary>Facts or an evaluation of a version of this service that stored them otherwise.</summary>
    public const string Unreadable = "this version cannot read what was recorded";

    private const int PatientsAtOnce = 50;

    private readonly Dictionary<string, RecordedPolicy?> _policies = new(StringComparer.Ordinal);
    private PolicyAdoptions? _adopted;

    /// <summary>How many decisions there are to replay.</summary>
    public Task<int> CountAsync(string? patient, CancellationToken cancellationToken) =>
        database.DecisionContents.CountAsync(c => c.Rule != DecisionChain.ErasureRule && (patient == null || c.Patient == patient), cancellationToken);

    /// <summary>Decisions of erased patients: their facts and contents are gone.</summary>
    public async Task<(int Patients, int Decisions)> CountErasedAsync(CancellationToken cancellationToken) => (
        await database.DecisionContents.CountAsync(c => c.Rule == DecisionChain.ErasureRule, cancellationToken),
        await database.Decisions.CountAsync(d => !database.DecisionContents.Any(c => c.ChainId == d.ChainId && c.Sequence == d.Sequence), cancellationToken));

    /// <summary>All decisions, patient by patient and each patient's in their order; some patients are in memory at a time.</summary>
    public async IAsyncEnumerable<ReplayedDecision> RunAsync(string? patient, [EnumeratorCancellation] CancellationToken cancellationToken)
    {
        string last = "";
        while (true)
        {
            List<string> ids = await database.Patients.Where(p => patient == null ? p.Id.CompareTo(last) > 0 : p.Id == patient && last == "")
                .OrderBy(p => p.Id).Take(PatientsAtOnce).Select(p => p.Id).ToListAsync(cancellationToken);
            if (ids.Count == 0)
            {
                yield break;
            }

            ILookup<string, FactRow> facts = (await database.Facts.AsNoTracking().Where(f => ids.Contains(f.Patient))
                .OrderBy(f => f.Patient).ThenBy(f => f.Sequence).ToListAsync(cancellationToken)).ToLookup(f => f.Patient, StringComparer.Ordinal);
            List<ChainEntry> decisions = await (
                from content in database.DecisionContents.AsNoTracking()
                join link in database.Decisions.AsNoTracking() on new { content.ChainId, content.Sequence } equals new { link.ChainId, link.Sequence }
                where ids.Contains(content.Patient)
                orderby content.Patient, content.Sequence
                select new ChainEntry(link, content)).ToListAsync(cancellationToken);
            foreach (IGrouping<string, ChainEntry> group in decisions.GroupBy(d => d.Content!.Patient, StringComparer.Ordinal))
            {
                await foreach (ReplayedDecision decision in PatientAsync(group.Key, [.. group], [.. facts[group.Key]], cancellationToken))
                {
                    yield return decision;
                }
            }

            last = ids[^1];
        }
    }

    private async IAsyncEnumerable<ReplayedDecision> PatientAsync(
        string patient, ImmutableArray<ChainEntry> decisions, ImmutableArray<FactRow> rows, [EnumeratorCancellation] CancellationToken cancellationToken)
    {
        ImmutableArray<(long Sequence, Fact Fact)>? facts = Readable(() => rows.Select(r => (r.Sequence, StoredJson.ReadFact(r.Content))).ToImmutableArray());
        Dictionary<Guid, Evaluation> decided = [];
        foreach ((DecisionRow link, DecisionContentRow? content) in decisions)
        {
            Evaluation? recorded = Readable(() => StoredJson.ReadEvaluation(content!.Content));
            if (facts is null || recorded is null)
            {
                yield return new ReplayedDecision(link, content!, recorded, null, Unreadable);
                continue;
            }

            yield return await PolicyAsync(link.PolicyHash, cancellationToken) is { } policy
                ? new ReplayedDecision(link, content!, recorded, Again(recorded, KnownTo(content!), policy, await SinceAsync(link, recorded, cancellationToken), decided), null)
                : new ReplayedDecision(link, content!, recorded, null, PolicyMissing);
            if (recorded.Course is { } course)
            {
                decided[course.Id] = recorded;
            }
        }

        PatientHistory KnownTo(DecisionContentRow content) =>
            new(patient, [.. facts!.Value.TakeWhile(f => f.Sequence <= content.FactSequence).Select(f => f.Fact)]);
    }

    /// <summary>As <c>PatientDecisions</c> came to it: by the facts, or, where they no longer make the course, as the end of what was decided last.</summary>
    private Evaluation? Again(Evaluation recorded, PatientHistory history, RecordedPolicy policy, DateTimeOffset? since, Dictionary<Guid, Evaluation> decided)
    {
        ImmutableArray<Evaluation> evaluations = TitrationPolicy.Evaluate(history, other ?? policy.Protocol, new AsOf(recorded.AsOf, policy.Zone, since, policy.Follow));
        if (evaluations.FirstOrDefault(e => e.Course?.Id == recorded.Course?.Id) is { } evaluation)
        {
            return evaluation;
        }

        return recorded.Course is { } course
            ? decided.TryGetValue(course.Id, out Evaluation? standing) ? EndedCourse.Of(standing, recorded.AsOf) : null
            : EndedCourse.WithoutCourse(recorded.Patient, recorded.AsOf);
    }

    /// <summary>Another protocol is tried as if it had just been adopted: it judges nothing that was approved before.</summary>
    private async Task<DateTimeOffset?> SinceAsync(DecisionRow link, Evaluation recorded, CancellationToken cancellationToken)
    {
        _adopted ??= await database.AdoptedAsync(cancellationToken);
        return other is null ? _adopted.SinceOf(link.PolicyHash, link.DecidedAt) : recorded.AsOf;
    }

    private async Task<RecordedPolicy?> PolicyAsync(string hash, CancellationToken cancellationToken)
    {
        if (!_policies.TryGetValue(hash, out RecordedPolicy? policy))
        {
            policy = await database.Policies.AsNoTracking().FirstOrDefaultAsync(p => p.Hash == hash, cancellationToken) is { } row ? RecordedPolicy.Of(row) : null;
            _policies[hash] = policy;
        }

        return policy;
    }

    private static T? Readable<T>(Func<T> read)
    {
        try
        {
            return read();
        }
        catch (JsonException)
        {
            return default;
        }
    }
}
