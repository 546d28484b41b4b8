using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;

namespace Titration.Protocol.Rules;

/// <summary>What withholds, and when going on may be proposed: once every cause is over and the skin has shown it.</summary>
internal static class Withholding
{
    public static void Speak(CourseTimeline course, List<WithholdCause> causes, Voices voices)
    {
        if (course.Orders.State == OrderState.OnHold)
        {
            voices.Say(RuleIds.OnHold, Outcome.Withhold, $"the order is on hold since {course.Orders.Pauses[^1].From:O}", [course.Orders.Order!.Source]);
        }

        if (causes.Count == 0)
        {
            return;
        }

        foreach (WithholdCause cause in causes)
        {
            voices.LookAt(cause.EndedAt);
        }

        if (course.Orders.State == OrderState.InForce && Proof(course, causes, voices) is { } proof && course.Segment is { } segment
            && !Areas.IsSensitive(course.Course.Area) && !CourseEvaluation.Declined(course, Outcome.Resume, voices))
        {
            Resume(course, segment, causes, proof, voices);
            return;
        }

        foreach (WithholdCause cause in causes)
        {
            Withhold(course, cause, voices);
        }
    }

    /// <summary>One cause speaks.</summary>
    public static void Withhold(CourseTimeline course, WithholdCause cause, Voices voices)
    {
        voices.Find(cause.Code, cause.Date, cause.Evidence);
        voices.Say(cause.Rule, Outcome.Withhold, TextOf(cause), cause.Evidence);
        voices.Tell(Intents.WithholdReferral(course.Protocol, cause));
    }

    /// <summary>
    /// The complete check-in that shows the skin has recovered: at or after the end of every cause, recent, nothing above 1 in it or
    /// since. Silence never ends a Withhold.
    /// </summary>
    private static DayReport? Proof(CourseTimeline course, List<WithholdCause> causes, Voices voices)
    {
        if (causes.Exists(c => !(c.EndedAt <= course.AsOf.Instant)))
        {
            return null;
        }

        DateTimeOffset over = causes.Max(c => c.EndedAt!.Value);
        DateOnly from = causes.Max(c => c.ProvenFrom);
        DayReport? newest = course.NewestComplete();
        if (newest is null || newest.CompleteAt < over || newest.Date < from || newest.Worst > Facts.Grade.Mild || Worsened(course, newest))
        {
            return null;
        }

        DateOnly expires = newest.Date.AddDays(course.Protocol.StepUp.EvidenceHoldsDays + 1);
        voices.LookOn(expires);
        return course.Today < expires ? newest : null;
    }

    private static bool Worsened(CourseTimeline course, DayReport since)
    {
        for (int i = course.Days.Length - 1; i >= 0 && course.Days[i].Date > since.Date; i--)
        {
            if (course.Days[i].Worst > Facts.Grade.Mild)
            {
                return true;
            }
        }

        return false;
    }

    private static void Resume(CourseTimeline course, StepSegment segment, List<WithholdCause> causes, DayReport proof, Voices voices)
    {
        int without = Gaps.NightsWithout(course);
        voices.LookOn(course.Today.AddDays(1));
        bool toFirst = causes.Exists(c => c.ToFirstStep) || without >= course.Protocol.Gaps.RestartNights;
        Step below = course.Regimen.Below(segment.Step) ?? segment.Step with { Barrier = true };
        Step to = toFirst && !course.Regimen.IsFirst(segment.Step) ? course.Regimen.FirstFrom(segment.Step) : below;
        voices.Say(
            RuleIds.Resume, Outcome.Resume,
            $"{string.Join(" and ", causes.Select(c => c.Code).Distinct(StringComparer.Ordinal))} over, complete check-in of {proof.Date:O} with nothing above 1"
            + (without > 0 ? $", {without} nights without" : ""),
            [.. causes.SelectMany(c => c.Evidence).Distinct(), .. proof.Evidence], to);
        voices.Tell(Intents.Resume(course, to, proof.CompleteAt!.Value, [.. causes.SelectMany(c => c.Evidence).Distinct(), .. proof.Evidence]));
    }

    private static string TextOf(WithholdCause cause) => cause.EndedAt is { } ended
        ? $"{cause.Code} of {cause.Date:O}, over since {ended:yyyy-MM-dd}: until a complete check-in from {cause.ProvenFrom:O} on shows nothing above 1"
        : $"{cause.Code} since {cause.Date:O}";
}
