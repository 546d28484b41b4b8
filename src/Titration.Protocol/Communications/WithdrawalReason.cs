using System.Text.Json.Serialization;

namespace Titration.Protocol.Communications;

/// <summary>Why something that stood no longer does (CodeSystem <c>status-reason</c>).</summary>
[JsonConverter(typeof(JsonStringEnumConverter<WithdrawalReason>))]
public enum WithdrawalReason
{
    /// <summary>What it rested on is no longer so.</summary>
    [JsonStringEnumMemberName("grounds-gone")] GroundsGone,

    /// <summary>Another communication takes its place.</summary>
    [JsonStringEnumMemberName("superseded")] Superseded,

    /// <summary>What it asked for has arrived.</summary>
    [JsonStringEnumMemberName("answered")] Answered,

    /// <summary>The prescriber has changed the prescription without it.</summary>
    [JsonStringEnumMemberName("prescribed-otherwise")] PrescribedOtherwise,

    /// <summary>A clinician declined the proposal.</summary>
    [JsonStringEnumMemberName("declined")] Declined,

    [JsonStringEnumMemberName("course-ended")] CourseEnded,

    /// <summary>The patient is no longer followed.</summary>
    [JsonStringEnumMemberName("patient-not-followed")] PatientNotFollowed,

    /// <summary>A source was entered in error or deleted.</summary>
    [JsonStringEnumMemberName("source-removed")] SourceRemoved,

    /// <summary>The clinic adopted another policy.</summary>
    [JsonStringEnumMemberName("policy-changed")] PolicyChanged,

    /// <summary>The server held it twice.</summary>
    [JsonStringEnumMemberName("duplicate")] Duplicate,
}
