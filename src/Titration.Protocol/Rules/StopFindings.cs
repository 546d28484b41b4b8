using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>Rule 1: the findings that stop the course, and those that a clinician has to weigh.</summary>
internal static class StopFindings
{
    public static void Speak(CourseTimeline course, Voices voices)
    {
        ImmutableArray<ReportedFinding> standing = course.Findings.RemoveAll(f => f.ClearedAt is not null || AnsweredByOrder(course, f));
        if (!standing.IsEmpty)
        {
            SpeakOf(standing, course, voices);
        }

        if (EarlySevereOf(course) is { ClearedAt: null, Day: { } day })
        {
            string text = $"a sign of 3 on {day.Date:O}, day {day.Date.DayNumber - course.Day0.DayNumber} of the course "
                + $"(day 0 to {course.Protocol.Severity.EarlySevereDays})";
            Stop(course, voices, RuleIds.EarlySevere, RuleIds.EarlySevere, Priority.Urgent, day.Date, day.WorstAt, text, day.Evidence,
                $"{RuleIds.EarlySevere}:{day.Date:O}");
        }
    }

    private static void SpeakOf(ImmutableArray<ReportedFinding> standing, CourseTimeline course, Voices voices)
    {
        foreach (IGrouping<FindingKind, ReportedFinding> kind in standing.GroupBy(f => f.Rule.Finding).OrderByDescending(g => g.First().Rule.Priority))
        {
            // The first report that still stands carries the finding; a repeat adds nothing to what was said.
            if (kind.FirstOrDefault(Bears) is { } finding)
            {
                Speak(course, voices, finding, [.. kind.Select(f => f.Source)]);
            }
        }
    }

    /// <summary>
    /// Whether a clinician saw to the referral and then ordered anew for this course: an order that is not an equal repeat, authored after
    /// the referral's Task was answered.
    /// </summary>
    public static bool AnsweredByOrder(CourseTimeline course, ReportedFinding finding) => finding.Rule.ClearedBy == ClearedBy.Clinician
        && course.Answers.AnsweredAt(CommunicationKind.SafetyReferral, $"{finding.Rule.Finding.Code()}:{finding.Source.Id}") < course.AnsweredUntil;

    /// <summary>Whether a finding of this kind stops this course: by the protocol, or by the jurisdiction's word on pregnancy.</summary>
    public static bool Stops(CourseTimeline course, ReportedFinding finding) => finding.Rule.Effect switch
    {
        FindingEffect.Discontinue => true,
        FindingEffect.ByJurisdiction => Contraindicated(course.Protocol, course.Course.Ingredient),
        FindingEffect.Withhold or FindingEffect.Review or FindingEffect.CautiousLadder => false,
    };

    /// <summary>
    /// The first grade 3 of the course's first days that nobody has cleared, else the last that was cleared. A clinician's
    /// <c>recovered</c> dated later clears it.
    /// </summary>
    public static EarlySevere? EarlySevereOf(CourseTimeline course)
    {
        EarlySevere? found = null;
        foreach (DayReport day in course.Days)
        {
            if (day.Date.DayNumber - course.Day0.DayNumber > course.Protocol.Severity.EarlySevereDays)
            {
                break;
            }

            if (day.Worst == Grade.Severe && found is not { ClearedAt: null })
            {
                DateTimeOffset? answered = course.Answers.AnsweredAt(CommunicationKind.SafetyReferral, $"{RuleIds.EarlySevere}:{day.Date:O}");
                bool answeredByOrder = answered < course.AnsweredUntil;
                found = new EarlySevere(day, course.ClinicianRecoveredAfter(day.WorstAt) ?? (answeredByOrder ? answered : null), answeredByOrder);
            }
        }

        return found;
    }

    private static bool Contraindicated(ProtocolDefinition protocol, string ingredient)
    {
        foreach (JurisdictionProfile profile in protocol.Jurisdictions)
        {
            if (profile.Code == protocol.Jurisdiction)
            {
                return profile.ContraindicatedInPregnancy.Contains(ingredient, StringComparer.Ordinal);
            }
        }

        return true;
    }

    /// <summary>What stops or is weighed bears on a course whenever it was said, until somebody whose word counts clears it.</summary>
    public static bool Bears(ReportedFinding finding) => finding.Rule.Effect switch
    {
        FindingEffect.Discontinue or FindingEffect.ByJurisdiction or FindingEffect.Review => true,
        FindingEffect.Withhold or FindingEffect.CautiousLadder => false,
    };

    private static void Speak(CourseTimeline course, Voices voices, ReportedFinding finding, ImmutableArray<ResourceVersion> evidence)
    {
        string code = finding.Rule.Finding.Code();
        string key = $"{code}:{finding.Source.Id}";
        string text = $"{code} reported on {finding.Date:O} and not cleared ({finding.Rule.Source})";
        if (Stops(course, finding))
        {
            Stop(course, voices, RuleIds.StopFinding, code, finding.Rule.Priority, finding.Date, finding.At, text, evidence, key);
            return;
        }

        bool pregnancy = finding.Rule.Effect == FindingEffect.ByJurisdiction;
        string rule = pregnancy ? RuleIds.PregnancyReview : RuleIds.ReviewFinding;
        voices.Find(code, finding.Date, evidence);
        if (course.Answers.AnsweredAt(CommunicationKind.Review, key) is not null)
        {
            return;
        }

        voices.Say(rule, Outcome.RequestReview, text, evidence);
        voices.Tell(Intents.Review(course, rule, key, pregnancy ? Priority.Urgent : finding.Rule.Priority, finding.At, text, evidence));
    }

    private static void Stop(
        CourseTimeline course, Voices voices, string rule, string code, Priority priority, DateOnly since, DateTimeOffset at, string text,
        ImmutableArray<ResourceVersion> evidence, string key)
    {
        voices.Find(code, since, evidence);
        voices.Say(rule, Outcome.Discontinue, text, evidence);
        voices.Tell(Intents.StopReferral(course.Protocol, rule, key, code, priority, at, evidence));
    }
}

/// <summary>A grade 3 in the first days of a course.</summary>
internal sealed record EarlySevere(DayReport Day, DateTimeOffset? ClearedAt, bool AnsweredByOrder);
