using System.Collections.Immutable;
using System.Text.Json.Serialization;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Decisions;

/// <summary>What one rule says of a course at an instant.</summary>
/// <param name="Rule">The rule's id in docs/protocol.md; it never changes meaning.</param>
/// <param name="Outcome">What it speaks for.</param>
/// <param name="Text">Why, with the numbers that decided.</param>
/// <param name="Evidence">The facts it looked at.</param>
public sealed record RuleResult(string Rule, Outcome Outcome, string Text, ImmutableArray<ResourceVersion> Evidence)
{
    /// <summary>The step it proposes, where it proposes one.</summary>
    public Step? Proposed { get; init; }
}

/// <summary>A step in force, and since which night.</summary>
/// <param name="Step">What is applied.</param>
/// <param name="Since">Day 0: the first night.</param>
public sealed record StepInForce(Step Step, DateOnly Since);

/// <summary>A finding that stands.</summary>
/// <param name="Code">Its code, such as <c>hives</c>, <c>early-severe-irritation</c> or <c>another-retinoid</c>.</param>
/// <param name="Since">Clinic-local date of the causing fact.</param>
/// <param name="Evidence">The facts that say so.</param>
public sealed record StandingFinding(string Code, DateOnly Since, ImmutableArray<ResourceVersion> Evidence);

/// <summary>The result of looking at a course at an instant: what should stand, why, and when to look again.</summary>
public sealed record Evaluation
{
    /// <summary>Null for a stat finding of a patient without any course.</summary>
    public required Course? Course { get; init; }

    public required string Patient { get; init; }

    public required DateTimeOffset AsOf { get; init; }

    /// <summary>Null where the course has ended or has not begun, and where the patient is not followed and nothing urgent speaks.</summary>
    public required Outcome? Outcome { get; init; }

    /// <summary>Null: the patient is followed.</summary>
    [JsonIgnore(Condition = JsonIgnoreCondition.WhenWritingNull)]
    public NotFollowed? NotFollowed { get; init; }

    public StepInForce? Step { get; init; }

    public Step? Proposed { get; init; }

    /// <summary>Every rule that spoke, the deciding one first.</summary>
    public required ImmutableArray<RuleResult> Reasons { get; init; }

    public ImmutableArray<StandingFinding> Findings { get; init; } = [];

    /// <summary>What should be open now.</summary>
    public required ImmutableArray<CommunicationIntent> Communications { get; init; }

    /// <summary>When time alone may change the result; null: never, without new facts.</summary>
    public required DateTimeOffset? NextLook { get; init; }

    /// <summary>The order in force, which communications cite; null where none is.</summary>
    public ResourceVersion? Order { get; init; }

    /// <summary>Reference to the prescriber of that order.</summary>
    public string? Prescriber { get; init; }
}
