using System.Text.Json.Serialization;
using Titration.Protocol.Communications;

namespace Titration.Storage.Model;

/// <summary>Where a communication stands for us; what has reached the FHIR server is the outbox's matter.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<CommunicationState>))]
public enum CommunicationState
{
    /// <summary>It should be open.</summary>
    [JsonStringEnumMemberName("standing")] Standing,

    /// <summary>Approved and in force: the patient may be told. It is withdrawn only where treatment must stop.</summary>
    [JsonStringEnumMemberName("activated")] Activated,

    /// <summary>Its grounds have gone. The same grounds later are a new communication.</summary>
    [JsonStringEnumMemberName("withdrawn")] Withdrawn,

    /// <summary>A proposal of which nothing more can come: its message was taken back from the patient, or its answer came too late. It stays so.</summary>
    [JsonStringEnumMemberName("taken-back")] TakenBack,
}

/// <summary>A communication that a decision opened.</summary>
public sealed class CommunicationRow
{
    /// <summary>The stable key.</summary>
    public required Guid Key { get; init; }

    public required string Patient { get; init; }

    public Guid? CourseId { get; init; }

    public required CommunicationKind Kind { get; init; }

    public required string Cause { get; init; }

    /// <summary>The decision that opened it.</summary>
    public required Guid DecisionId { get; init; }

    /// <summary>The decision that closed it; null while it stands.</summary>
    public Guid? ClosedBy { get; set; }

    /// <summary>UTF-8 JSON of the intent.</summary>
    public required byte[] Intent { get; init; }

    public required CommunicationState State { get; set; }

    public required DateTimeOffset OpenedAt { get; init; }

    /// <summary>The communication in whose place it stands; null: none.</summary>
    public Guid? Replaces { get; init; }

    /// <summary>Since when its task is the clinic's pool's, unanswered; null: it is not.</summary>
    public DateTimeOffset? OverdueSince { get; set; }
}

/// <summary>A resource on the clinic's FHIR server that belongs to a communication.</summary>
public sealed class SentResourceRow
{
    public required Guid CommunicationKey { get; init; }

    /// <summary>What it is to the communication, such as <c>communication-request</c>, <c>task</c>, <c>detected-issue</c> or <c>provenance</c>.</summary>
    public required string Role { get; init; }

    public required string ResourceType { get; set; }

    public required string ServerId { get; set; }

    /// <summary>The version that we saw last, for the next version-aware update; null where the server gives none.</summary>
    public string? VersionId { get; set; }
}
