using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;

namespace Titration.Protocol.Rules;

/// <summary>What stands when the facts no longer make a course: its orders were entered in error, with nothing in their place.</summary>
public static class EndedCourse
{
    /// <summary>No outcome; proposals, requests and reminders go, a safety referral stands until it is answered.</summary>
    public static Evaluation Of(Evaluation standing, DateTimeOffset asOf) => standing with
    {
        AsOf = asOf,
        Outcome = null,
        Step = null,
        Proposed = null,
        NotFollowed = null,
        Reasons = [],
        Communications = [.. standing.Communications.Where(c => c.Kind == CommunicationKind.SafetyReferral)],
        NextLook = null,
    };

    /// <summary>Nothing stands of a patient without a course.</summary>
    public static Evaluation WithoutCourse(string patient, DateTimeOffset asOf) => new()
    {
        Course = null,
        Patient = patient,
        AsOf = asOf,
        Outcome = null,
        Reasons = [],
        Communications = [],
        NextLook = null,
    };
}
