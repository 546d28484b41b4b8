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
        int bySupply = NightsSinceRunOut(course, voices);
        int nights = NightsWithout(course);
        if (course.Orders.Pauses is [.., { Until: { } end }] && end > course.Today)
        {
            // A pause that a later start ends goes on by itself until then.
            voices.LookOn(course.Today.AddDays(limits.StepDownNights - nights));
            voices.LookOn(course.Today.AddDays(limits.RestartNights - nights));
        }

        if (nights < limits.StepDownNights)
        {
            return;
        }

        Step? to = nights >= limits.RestartNights
            ? course.Regimen.IsFirst(segment.Step) ? null : course.Regimen.FirstFrom(segment.Step)
            : course.Regimen.Below(segment.Step);
        bool ranOut = bySupply == nights;
        ImmutableArray<ResourceVersion> evidence =
        [
            segment.Order.Source, .. course.NightReports.TakeLast(1).Select(r => r.Source),
            .. ranOut ? course.Supply!.Evidence.Remove(segment.Order.Source) : [],
        ];
        string supply = ranOut
            ? $" since {course.Today.AddDays(-nights):O}: the supply used up with all repeats on {course.Supply!.GapSince:O} "
                + "(assumed from the orders), and nothing reported since"
            : "";
        string text = $"{nights} nights without an application{supply} "
            + $"({limits.StepDownNights} to {limits.RestartNights - 1}: one step down; from {limits.RestartNights}: the first step)";
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
        DateTimeOffset at = ClinicZone.StartOf(ranOut ? course.Today.AddDays(limits.StepDownNights - nights) : LastNight(course), course.AsOf.Zone);
        voices.Tell(Intents.StepDown(course, RuleIds.Gap, to, at, evidence));
    }

    /// <summary>The date after the last night reported or withheld.</summary>
    private static DateOnly LastNight(CourseTimeline course)
    {
        DateOnly last = course.NightReports.Length > 0 ? course.NightReports[^1].Date : course.Day0;
        return course.Orders.Pauses is [.., { Until: { } until }] && until > last ? until : last;
    }

    /// <summary>
    /// Consecutive nights of the step in force without an application, ending with the last one reported or withheld. Nights that nobody
    /// reported neither make nor end a gap, but for those since the supply ran out with all repeats, where nothing was reported since.
    /// </summary>
    public static int NightsWithout(CourseTimeline course) => course.Segment is { } segment
        ? Math.Max(ReportedWithout(course), course.Supply?.NightsSinceRunOut(segment, course.Today) ?? 0)
        : 0;

    /// <summary>Those since the supply ran out; the days on which they come to count are days to look.</summary>
    private static int NightsSinceRunOut(CourseTimeline course, Voices voices)
    {
        if (course.Supply is not { GapSince: { } ranOut } supply)
        {
            return 0;
        }

        DateOnly since = course.Segment!.Since;
        DateOnly from = ranOut > since ? ranOut : since;
        voices.LookOn(from.AddDays(course.Protocol.Gaps.StepDownNights));
        voices.LookOn(from.AddDays(course.Protocol.Gaps.RestartNights));
        return supply.NightsSinceRunOut(course.Segment, course.Today);
    }

    private static int ReportedWithout(CourseTimeline course)
    {
        if (course.Segment is not { } segment)
        {
            return 0;
        }

        int nights = course.WithheldNights(segment.Since, course.Today);
        for (int i = course.ReportsOnStep.Length - 1; i >= 0; i--)
        {
            Exposure exposure = course.ExposureOf(course.ReportsOnStep[i], segment);
            if (exposure.Applied > 0)
            {
                DateOnly until = course.ReportsOnStep[i].Until;
                return nights - course.WithheldNights(segment.Since, until);
            }

            nights += exposure.Nights;
        }

        return nights;
    }
}
