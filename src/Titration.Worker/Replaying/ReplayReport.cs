using System.Text.Json.Nodes;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Storage;

namespace Titration.Worker.Replaying;

/// <summary>What of a decision is compared for people.</summary>
/// <param name="Outcome">Such as <c>Maintain</c>; <c>none</c> where there is no outcome, <c>no course</c> where the protocol follows none.</param>
/// <param name="Step">The step in force; null where none is.</param>
/// <param name="Proposed">The step proposed; null where none is.</param>
/// <param name="Rule">The rule that decided.</param>
/// <param name="Why">What it said.</param>
public sealed record DecisionSummary(string Outcome, string? Step, string? Proposed, string? Rule, string? Why)
{
    /// <summary>Outcome and proposed step: what the clinic is told.</summary>
    public string Text => Proposed is null ? Outcome : $"{Outcome} to {Proposed}";

    public static DecisionSummary Of(Evaluation? evaluation) => evaluation is null
        ? new DecisionSummary("no course", null, null, null, null)
        : new DecisionSummary(
            evaluation.Outcome?.Code() ?? "none",
            evaluation.Step is { } step ? StepText.Of(step.Step) : null,
            evaluation.Proposed is { } proposed ? StepText.Of(proposed) : null,
            evaluation.Reasons.IsEmpty ? null : evaluation.Reasons[0].Rule,
            evaluation.Reasons.IsEmpty ? null : evaluation.Reasons[0].Text);
}

/// <summary>A decision that came out otherwise.</summary>
/// <param name="Kind">The kind of difference, such as <c>Maintain, now StepUp</c>.</param>
/// <param name="Members">Members of the evaluation whose JSON differs.</param>
public sealed record DifferentDecision(
    string Patient, Guid Decision, DateTimeOffset DecidedAt, string? Course, string Kind, DecisionSummary Recorded, DecisionSummary Now, IReadOnlyList<string> Members);

/// <summary>What a replay came to.</summary>
public sealed class ReplayReport
{
    /// <summary>The other protocol's name and version; null: each by its recorded one.</summary>
    public string? Protocol { get; init; }

    /// <summary>Decisions evaluated again.</summary>
    public int Decisions { get; private set; }

    /// <summary>Byte for byte the recorded one.</summary>
    public int Identical { get; private set; }

    /// <summary>With another protocol: the same outcome and the same steps, by other reasons, numbers or communications.</summary>
    public int SameOutcome { get; private set; }

    public int NotReplayed => Problems.Values.Sum();

    /// <summary>Why decisions could not be evaluated, and how many.</summary>
    public IDictionary<string, int> Problems { get; } = new SortedDictionary<string, int>(StringComparer.Ordinal);

    /// <summary>Patients that were erased: their decisions cannot be replayed any more.</summary>
    public int ErasedPatients { get; set; }

    public int ErasedDecisions { get; set; }

    /// <summary>How many decisions differ by kind.</summary>
    public IDictionary<string, int> Kinds { get; } = new SortedDictionary<string, int>(StringComparer.Ordinal);

    public IList<DifferentDecision> Different { get; } = [];

    public void Add(ReplayedDecision decision)
    {
        if (decision.Problem is { } problem)
        {
            Problems[problem] = (Problems.TryGetValue(problem, out int before) ? before : 0) + 1;
            return;
        }

        Decisions++;
        if (decision.IsIdentical)
        {
            Identical++;
            return;
        }

        DecisionSummary recorded = DecisionSummary.Of(decision.Recorded);
        DecisionSummary now = DecisionSummary.Of(decision.Again);
        bool isSame = (recorded.Outcome, recorded.Step, recorded.Proposed) == (now.Outcome, now.Step, now.Proposed);
        if (isSame && Protocol is not null)
        {
            SameOutcome++;
            return;
        }

        string kind = KindOf(recorded, now);
        Kinds[kind] = (Kinds.TryGetValue(kind, out int count) ? count : 0) + 1;
        Course? course = decision.Recorded!.Course;
        Different.Add(new DifferentDecision(
            decision.Content.Patient, decision.Content.DecisionId, decision.Link.DecidedAt, course is null ? null : $"{course.Ingredient}, {course.Area}", kind,
            recorded, now, MembersOf(decision)));
    }

    private static string KindOf(DecisionSummary recorded, DecisionSummary now) =>
        recorded.Outcome != now.Outcome ? $"{recorded.Outcome}, now {now.Outcome}"
        : recorded.Proposed != now.Proposed ? $"{recorded.Outcome} to another step"
        : recorded.Step != now.Step ? $"{recorded.Outcome} on another step"
        : $"{recorded.Outcome} by other numbers";

    private static List<string> MembersOf(ReplayedDecision decision)
    {
        JsonObject recorded = JsonNode.Parse(decision.Content.Content)!.AsObject();
        JsonObject now = decision.Again is null ? [] : JsonNode.Parse(StoredJson.Write(decision.Again))!.AsObject();
        return [.. recorded.Select(m => m.Key).Union(now.Select(m => m.Key), StringComparer.Ordinal).Where(name => !JsonNode.DeepEquals(recorded[name], now[name])).Order(StringComparer.Ordinal)];
    }
}
