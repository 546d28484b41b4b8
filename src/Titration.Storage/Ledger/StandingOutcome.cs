using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;

namespace Titration.Storage.Ledger;

/// <summary>What the evaluation that stands for a course comes to: whether a new one says anything else.</summary>
public sealed record StandingOutcome
{
    public required Outcome? Outcome { get; init; }

    public Step? Proposed { get; init; }

    public NotFollowed? NotFollowed { get; init; }

    public bool IsThatOf(Evaluation evaluation) =>
        Outcome == evaluation.Outcome && Proposed == evaluation.Proposed && NotFollowed is null == evaluation.NotFollowed is null;
}
