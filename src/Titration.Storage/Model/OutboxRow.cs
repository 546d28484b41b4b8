using System.Text.Json.Serialization;
using Titration.Protocol.Communications;

namespace Titration.Storage.Model;

/// <summary>What is to be done at the FHIR server.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<OutboxAction>))]
public enum OutboxAction
{
    [JsonStringEnumMemberName("issue")] Issue,
    [JsonStringEnumMemberName("withdraw")] Withdraw,

    /// <summary>An approved draft becomes active.</summary>
    [JsonStringEnumMemberName("activate")] Activate,

    /// <summary>A task that nobody answered goes to the clinic's pool.</summary>
    [JsonStringEnumMemberName("hand-over")] HandOver,
}

/// <summary>How far an entry has come.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<OutboxState>))]
public enum OutboxState
{
    [JsonStringEnumMemberName("pending")] Pending,

    /// <summary>Somebody is at it, until the lease runs out.</summary>
    [JsonStringEnumMemberName("leased")] Leased,

    [JsonStringEnumMemberName("sent")] Sent,

    /// <summary>Its grounds had gone before it left.</summary>
    [JsonStringEnumMemberName("dropped")] Dropped,

    /// <summary>Refused by the server for good; a person must look.</summary>
    [JsonStringEnumMemberName("dead")] Dead,
}

/// <summary>Something that has to leave for the FHIR server.</summary>
public sealed class OutboxRow
{
    public long Id { get; init; }

    public required string Patient { get; init; }

    /// <summary>Order within the patient, from 1.</summary>
    public required long Sequence { get; init; }

    /// <summary>0 stat, 1 urgent, 2 routine.</summary>
    public required int Rank { get; init; }

    public required OutboxAction Action { get; init; }

    public required CommunicationKind Kind { get; init; }

    /// <summary>
    /// What may wait for a better hour or day: a message to the patient, a proposal that does not make treatment gentler, a reminder of a routine task. While
    /// it is held back nothing else of the patient's waits for it, except that messages to the patient wait for each other.
    /// </summary>
    public required bool Paced { get; init; }

    /// <summary>Why it is withdrawn; null for anything else.</summary>
    public WithdrawalReason? Reason { get; init; }

    public required Guid CommunicationKey { get; init; }

    /// <summary>The decision that asked for it.</summary>
    public required Guid DecisionId { get; init; }

    public required OutboxState State { get; init; }

    /// <summary>How often it was claimed.</summary>
    public int Attempts { get; init; }

    /// <summary>Null: at once.</summary>
    public DateTimeOffset? NotBefore { get; init; }

    public DateTimeOffset? LeaseUntil { get; init; }

    /// <summary>Raised by each claim; what a former holder says after that is not heard.</summary>
    public long Fence { get; init; }

    /// <summary>A code or a short text without patient data.</summary>
    public string? Problem { get; init; }

    public required DateTimeOffset CreatedAt { get; init; }

    public DateTimeOffset? SentAt { get; init; }

    /// <summary>W3C traceparent of the evaluation.</summary>
    public string? TraceParent { get; init; }
}
