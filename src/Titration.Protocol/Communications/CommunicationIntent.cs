using System.Collections.Immutable;
using System.Text.Json.Serialization;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Communications;

/// <summary>What a communication is about.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<CommunicationKind>))]
public enum CommunicationKind
{
    [JsonStringEnumMemberName("safety-referral")] SafetyReferral,
    [JsonStringEnumMemberName("care-advice")] CareAdvice,
    [JsonStringEnumMemberName("step-change")] StepChange,
    [JsonStringEnumMemberName("review")] Review,
    [JsonStringEnumMemberName("effect-review")] EffectReview,
    [JsonStringEnumMemberName("check-in-request")] CheckInRequest,
    [JsonStringEnumMemberName("clinic-task")] ClinicTask,
    [JsonStringEnumMemberName("repeat-reminder")] RepeatReminder,
}

/// <summary>Who is told.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<Audience>))]
public enum Audience
{
    [JsonStringEnumMemberName("patient")] Patient,

    /// <summary>The prescriber; the clinic's pool where none is named.</summary>
    [JsonStringEnumMemberName("prescriber")] Prescriber,

    /// <summary>The clinic's pool.</summary>
    [JsonStringEnumMemberName("clinic")] Clinic,
}

/// <summary>
/// Something that should stand now. It is the same communication as long as course, kind and cause are the same.
/// </summary>
public sealed record CommunicationIntent
{
    public required CommunicationKind Kind { get; init; }

    /// <summary>What it answers, such as a finding's observation or a due date: part of its identity, never shown.</summary>
    public required string Cause { get; init; }

    public required Priority Priority { get; init; }

    public required Audience Audience { get; init; }

    /// <summary>True: not for the patient until a clinician has approved it (a FHIR draft with a Task to approve).</summary>
    public required bool NeedsApproval { get; init; }

    /// <summary>True where a clinician has something to do: a Task stands beside it.</summary>
    public required bool HasTask { get; init; }

    /// <summary>When the task is due, or until when an answer is hoped for; null: open.</summary>
    public DateTimeOffset? Due { get; init; }

    /// <summary>The wording's template, such as <c>step-up</c>.</summary>
    public required string Template { get; init; }

    /// <summary>What the template's placeholders stand for.</summary>
    public ImmutableSortedDictionary<string, string> Values { get; init; } = ImmutableSortedDictionary<string, string>.Empty;

    /// <summary>The rule that asked for it.</summary>
    public required string Rule { get; init; }

    /// <summary>The step proposed, where one is.</summary>
    public Step? Proposed { get; init; }

    /// <summary>The exact resource versions it rests on.</summary>
    public ImmutableArray<ResourceVersion> Evidence { get; init; } = [];

    /// <summary>For a safety referral: the code of the finding.</summary>
    public string? Finding { get; init; }

    /// <summary>True for a message to the patient that makes treatment gentler or stops it: it is never held back until a better hour.</summary>
    public bool IsSafety { get; init; }

    /// <summary>True once the task has passed its due time by so much that it is the clinic's pool's.</summary>
    public bool Overdue { get; init; }

    /// <summary>For a reminder: what still waits for an answer.</summary>
    public CommunicationReference? Reminds { get; init; }
}

/// <summary>Another communication of the same course.</summary>
/// <param name="Kind">Its kind.</param>
/// <param name="Cause">Its cause.</param>
public sealed record CommunicationReference(CommunicationKind Kind, string Cause);
