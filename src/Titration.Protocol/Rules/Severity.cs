using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>Rule 2: a 2 that lasts steps down; a fresh one stays, with advice. A 3 is a cause to withhold.</summary>
internal static class Severity
{
    public static void Speak(CourseTimeline course, Voices voices)
    {
        if (course.Segment is not { } segment || NewestModerate(course) is not { } newest)
        {
            return;
        }

        DayReport day = course.Days[newest];
        if (EarlierModerate(course, newest) is not { } earlier)
        {
            Fresh(voices, day);
            return;
        }

        Step? down = course.Regimen.Below(segment.Step) ?? (segment.Step.Barrier ? null : segment.Step with { Barrier = true });
        if (down is not null && !CourseEvaluation.Declined(course, Outcome.StepDown, voices))
        {
            voices.Say(
                RuleIds.Lasting, Outcome.StepDown,
                $"a sign of 2 or more on {day.Date:O} and on {earlier.Date:O}, {day.Date.DayNumber - earlier.Date.DayNumber} days before, "
                + $"with no complete check-in of 1 or less between ({course.Protocol.Severity.LastingDays} days count as lasting)",
                [.. earlier.Evidence, .. day.Evidence], down);
            voices.Tell(Intents.StepDown(course, RuleIds.Lasting, down, day.WorstAt, [.. earlier.Evidence, .. day.Evidence]));
            voices.Tell(Intents.CareAdvice(RuleIds.Lasting, "care-step-down", $"{RuleIds.Lasting}:{segment.Since:O}", day.Evidence));
        }
    }

    /// <summary>Index of the check-in day with the 2 or more that counts now: the newest complete one, or a later incomplete one.</summary>
    public static int? NewestModerate(CourseTimeline course)
    {
        for (int i = course.Days.Length - 1; i >= course.FirstDayOnStep; i--)
        {
            if (course.Days[i].Worst >= Grade.Moderate)
            {
                return i;
            }

            if (course.Days[i].IsComplete)
            {
                return null;
            }
        }

        return null;
    }

    /// <summary>
    /// The other check-in of the step that makes the one at <paramref name="index"/> lasting: of 2 or more, the set number of days
    /// before it or more, with no complete check-in of 1 or less between. Null: it is fresh.
    /// </summary>
    public static DayReport? EarlierModerate(CourseTimeline course, int index)
    {
        DateOnly limit = course.Days[index].Date.AddDays(-course.Protocol.Severity.LastingDays);
        for (int i = index - 1; i >= course.FirstDayOnStep && !course.Days[i].IsCompleteAndMild; i--)
        {
            if (course.Days[i].Worst >= Grade.Moderate && course.Days[i].Date <= limit)
            {
                return course.Days[i];
            }
        }

        return null;
    }

    private static void Fresh(Voices voices, DayReport day)
    {
        voices.Say(
            RuleIds.FreshModerate, Outcome.Maintain, $"a sign of {(int)day.Worst} on {day.Date:O}, the first on this step or after a mild check-in",
            day.Evidence);
        if (day.Worst == Grade.Moderate)
        {
            voices.Tell(Intents.CareAdvice(RuleIds.FreshModerate, "care-after-moderate", $"{RuleIds.FreshModerate}:{day.Date:O}", day.Evidence));
        }
    }
}
