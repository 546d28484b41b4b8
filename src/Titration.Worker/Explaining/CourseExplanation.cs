using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Doses;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.Storage.Model;
using Titration.Worker.Configuration;

namespace Titration.Worker.Explaining;

/// <summary>A course with everything that an auditor asks of it. What is shown in the terminal, as JSON and as a page is this and nothing else.</summary>
internal sealed record CourseExplanation
{
    /// <summary>What stands; its instant is when the course was looked at last.</summary>
    public required Evaluation Standing { get; init; }

    public required Course Course { get; init; }

    /// <summary>The policy's files at hand. A decision may have been made by another.</summary>
    public required ClinicPolicy Policy { get; init; }

    /// <summary>The course over time; null where its orders are gone.</summary>
    public required CourseRecord? Record { get; init; }

    public required CourseFigures? Figures { get; init; }

    /// <summary>What leaves for the FHIR server at present.</summary>
    public required OperatingMode Mode { get; init; }

    /// <summary>Oldest first.</summary>
    public required ImmutableArray<ExplainedDecision> Decisions { get; init; }

    /// <summary>Oldest first.</summary>
    public required ImmutableArray<ExplainedCommunication> Communications { get; init; }

    public DateOnly AsOfDate => Date(Standing.AsOf);

    public IEnumerable<ExplainedCommunication> Open => Communications.Where(c => c.IsOpen);

    /// <summary>The clinic-local date of an instant.</summary>
    public DateOnly Date(DateTimeOffset instant) => ClinicZone.DateOf(instant, Policy.Zone);

    /// <summary>The approved proposal by which a step came into force; null: the prescriber ordered it without one.</summary>
    public ExplainedCommunication? ProposalOf(StepPeriod period) => Communications.LastOrDefault(
        c => c.Approved is { } approved && c.Intent.Proposed?.SameDosage(period.Step) == true && Date(c.OpenedAt) <= period.Since
            && (period.Until is null || Date(approved.At!.Value) < period.Until));

    /// <summary>The decision with this id.</summary>
    public ExplainedDecision? Decision(Guid id) => Decisions.FirstOrDefault(d => d.Id == id);
}

/// <summary>A decision as the ledger has it, with what can be said of it.</summary>
/// <param name="Number">Among the decisions of its course, from 1.</param>
/// <param name="Id">The id that telemetry and the FHIR server know it by.</param>
/// <param name="Sequence">Place in the patient's chain.</param>
/// <param name="Hash">Of its entry in the chain, lower-case hexadecimal.</param>
/// <param name="PolicyHash">The policy that it was made by.</param>
/// <param name="InputDigest">Digest of the facts that went in.</param>
/// <param name="Evaluation">What was decided, and why.</param>
/// <param name="Otherwise">What would have changed it; null where that cannot be said with the policy's files at hand.</param>
internal sealed record ExplainedDecision(
    int Number, Guid Id, long Sequence, string Hash, string PolicyHash, string InputDigest, Evaluation Evaluation, ImmutableArray<Counterfactual>? Otherwise)
{
    /// <summary>The rules that decided: those of the outcome's rank.</summary>
    public IEnumerable<RuleResult> Deciding => Evaluation.Reasons.TakeWhile(r => r.Outcome == Evaluation.Outcome);

    /// <summary>What spoke as well, and less cautiously.</summary>
    public IEnumerable<RuleResult> Others => Evaluation.Reasons.SkipWhile(r => r.Outcome == Evaluation.Outcome);
}

/// <summary>A communication and its fate.</summary>
/// <param name="Key">Its stable key.</param>
/// <param name="Intent">What it says to whom.</param>
/// <param name="OpenedAt">When a decision opened it.</param>
/// <param name="OpenedBy">That decision.</param>
/// <param name="ClosedBy">The decision that closed it; null while it stands.</param>
/// <param name="IsOpen">Whether it stands unanswered.</param>
/// <param name="Fate">What became of it, in the order of time.</param>
/// <param name="Resources">References to what the FHIR server holds of it.</param>
internal sealed record ExplainedCommunication(
    Guid Key, CommunicationIntent Intent, DateTimeOffset OpenedAt, Guid OpenedBy, Guid? ClosedBy, bool IsOpen,
    ImmutableArray<CommunicationEvent> Fate, ImmutableArray<string> Resources)
{
    public CommunicationEvent? Approved => Fate.FirstOrDefault(e => e.Kind == CommunicationEvent.ApprovedKind);
}

/// <summary>Something that befell a communication.</summary>
/// <param name="At">When; null: it has not happened yet.</param>
/// <param name="Kind">What, in a word, such as <c>sent</c>.</param>
/// <param name="Text">The same in plain words.</param>
internal sealed record CommunicationEvent(DateTimeOffset? At, string Kind, string Text)
{
    public const string ApprovedKind = "approved";
}
