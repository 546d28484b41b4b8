using System.Collections.Immutable;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>Rule 9: nights without an application.</summary>
internal static class Gaps
{
    public static void Speak(CourseTimeline course, Voices voices)
    {
        if (course.Segment is not { } segment || course.WithheldSince is not null || course.Orders.State == OrderState.OnHold)
        {
            return;
        }

        GapLimits limits = course.Protocol.Gaps;
        int nights = NightsWithout(course);
        if (nights < limits.StepDownNights)
        {
            return;
        }

        Step? to = nights >= limits.RestartNights
            ? course.Regimen.IsFirst(segment.Step) ? null : course.Regimen.FirstFrom(segment.Step)
            : course.Regimen.Below(segment.Step);
        ImmutableArray<ResourceVersion> evidence = [segment.Order.Source, .. course.NightReports.TakeLast(1).Select(r => r.Source)];
        string text = $"{nights} nights without an application ({limits.StepDownNights} to {limits.RestartNights - 1}: one step down; from {limits.RestartNights}: the first step)";
        if (to is not null && CourseEvaluation.Declined(course, Outcome.StepDown, voices))
        {
            return;
        }

        if (to is null)
        {
            voices.Say(RuleIds.Gap, Outcome.Maintain, text + "; already at the first step: day 0 again at the next reported application", evidence);
            return;
        }

        voices.Say(RuleIds.Gap, Outcome.StepDown, text, evidence, to);
        DateTimeOffset at = ClinicZone.StartOf(LastNight(course), course.AsOf.Zone);
        voices.Tell(Intents.StepDown(course, RuleIds.Gap, to, at, evidence));
    }

    /// <summary>The date after the last night reported or withheld.</summary>
    private static DateOnly LastNight(CourseTimeline course)
    {
        DateOnly last = course.NightReports.Count > 0 ? course.NightReports[^1].Date : course.Day0;
        return course.Orders.Pauses is [.., { Until: { } until }] && until > last ? until : last;
    }

    /// <summary>
    /// Consecutive nights of the step in force without an application, ending with the last one reported or withheld. Nights that nobody
    /// reported neither make nor end a gap.
    /// </summary>
    public static int NightsWithout(CourseTimeline course)
    {
        if (course.Segment is not { } segment)
        {
            return 0;
        }

        int nights = course.WithheldNights(segment.Since, course.Today);
        for (int i = course.NightReports.Count - 1; i >= 0 && course.NightReports[i].Until > segment.Since; i--)
        {
            Exposure exposure = course.ExposureOf(course.NightReports[i], segment);
            if (exposure.Applied > 0)
            {
                DateOnly until = course.NightReports[i].Until;
                return nights - course.WithheldNights(segment.Since, until);
            }

            nights += exposure.Nights;
        }

        return nights;
    }
}
