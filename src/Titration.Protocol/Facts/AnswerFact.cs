using System.Text.Json.Serialization;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;

namespace Titration.Protocol.Facts;

/// <summary>What became of a Task of ours, as far as it decides anything.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<TaskAnswer>))]
public enum TaskAnswer
{
    /// <summary>Completed, with the decision to approve.</summary>
    [JsonStringEnumMemberName("approved")] Approved,

    /// <summary>Rejected, failed, cancelled by somebody, or completed with the decision to decline.</summary>
    [JsonStringEnumMemberName("declined")] Declined,

    /// <summary>Completed without a decision: done, but nothing is approved by it.</summary>
    [JsonStringEnumMemberName("done")] Done,

    /// <summary>Accepted, begun or put on hold: somebody has seen it, and nothing is decided.</summary>
    [JsonStringEnumMemberName("in-hand")] InHand,
}

/// <summary>
/// A version of one of our Tasks that a clinician answered, or of a CommunicationRequest of ours that somebody else ended (declined).
/// </summary>
public sealed record AnswerFact : Fact
{
    /// <summary>The communication that the Task belongs to.</summary>
    public required Guid Communication { get; init; }

    /// <summary>Its course; null for a communication without one.</summary>
    public required Guid? Course { get; init; }

    public required CommunicationKind Kind { get; init; }

    /// <summary>The communication's cause.</summary>
    public required string Cause { get; init; }

    /// <summary>When it was proposed.</summary>
    public required DateTimeOffset ProposedAt { get; init; }

    /// <summary>The step that was proposed; null where none was.</summary>
    public Step? Proposed { get; init; }

    public required TaskAnswer Answer { get; init; }

    public required DateTimeOffset At { get; init; }

    /// <summary>Code of the reason given for declining; null where none is coded.</summary>
    public string? Reason { get; init; }
}
