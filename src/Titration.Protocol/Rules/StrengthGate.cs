using System.Collections.Immutable;
using Titration.Protocol.Courses;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>Rule 8: a higher strength only after months on the present one, its top step tolerated, and more effect wanted.</summary>
internal static class StrengthGate
{
    public static Gate Of(CourseTimeline course, StepSegment segment, Voices voices)
    {
        StrengthGates gates = course.Protocol.Strength;
        DateOnly since = StrengthSince(course);
        int days = course.Today.DayNumber - since.DayNumber - course.WithheldNights(since, course.Today);
        DateOnly monthsOpen = course.Today.AddDays(gates.MinimumDays - days);
        voices.LookOn(monthsOpen);
        DateOnly topOpen = course.Today.AddDays(gates.ToleratedDays - course.DaysOnStep(course.Today));
        voices.LookOn(topOpen);
        (DayReport? tolerated, bool tooFew) = ToleratedUpTo(course, segment, course.Today, voices);
        EffectReport? effect = NewestEffect(course, voices);
        bool othersOpen = course.Today >= monthsOpen && course.Today >= topOpen && effect is { Effect: Effect.MoreWanted };
        bool open = othersOpen && tolerated is not null;
        string text = $"day {days} on {segment.Step.StrengthPercent:0.####} % ({gates.MinimumDays} are needed), "
            + $"top step {(tolerated is not null ? "tolerated" : "not yet tolerated")} for {gates.ToleratedDays} days, "
            + (effect is { } e ? $"effect {e.Effect.Code()} on {e.Date:O}" : $"no word on the effect in the last {gates.EffectHoldsDays} days");
        ImmutableArray<ResourceVersion> evidence = [segment.Order.Source, .. tolerated?.Evidence ?? [], .. effect is { } said ? [said.Source] : ImmutableArray<ResourceVersion>.Empty];
        return new Gate(RuleIds.Strength, open, text, evidence, open ? Latest(monthsOpen, topOpen, tolerated!.Date, effect!.Value.Date) : null)
        {
            LacksCheckInSince = othersOpen && tooFew ? Latest(monthsOpen, topOpen, effect!.Value.Date, TooFewSince(course, gates)) : null,
        };
    }

    /// <summary>
    /// The first date from which the check-ins of the last days were too few: at the top step they come as far apart as the days in which
    /// two are needed, so that one more is asked for at once.
    /// </summary>
    private static DateOnly TooFewSince(CourseTimeline course, StrengthGates gates)
    {
        int complete = 0;
        for (int i = course.Days.Length - 1; i >= course.FirstDayOnStep; i--)
        {
            complete += course.Days[i].IsComplete ? 1 : 0;
            if (complete == gates.ToleratedCheckIns)
            {
                return course.Days[i].Date.AddDays(gates.ToleratedDays + 1);
            }
        }

        return course.Segment!.Since;
    }

    /// <summary>First night on the present strength without interruption.</summary>
    public static DateOnly StrengthSince(CourseTimeline course)
    {
        DateOnly since = course.Segment!.Since;
        for (int i = course.Orders.Segments.Length - 1; i >= 0; i--)
        {
            StepSegment earlier = course.Orders.Segments[i];
            if (earlier.Since <= since && earlier.Step.StrengthPercent != course.Segment.Step.StrengthPercent)
            {
                break;
            }

            since = earlier.Since < since ? earlier.Since : since;
        }

        return since;
    }

    /// <summary>
    /// The newest complete check-in of the days up to <paramref name="on"/> where they were tolerated: enough complete check-ins, no sign
    /// above 1, and the reported applications made. Null where they were not, with whether only check-ins were too few.
    /// </summary>
    public static (DayReport? Tolerated, bool TooFew) ToleratedUpTo(CourseTimeline course, StepSegment segment, DateOnly on, Voices voices)
    {
        StrengthGates gates = course.Protocol.Strength;
        DateOnly from = on.AddDays(-gates.ToleratedDays);
        if (segment.Since > from || !course.Regimen.IsTop(segment.Step))
        {
            return (null, false);
        }

        int complete = 0;
        DayReport? newest = null;
        for (int i = course.Days.FirstIndex(d => d.Date >= from); i < course.Days.Length && course.Days[i].Date <= on; i++)
        {
            DayReport day = course.Days[i];
            voices.LookOn(day.Date.AddDays(gates.ToleratedDays + 1));
            if (day.Worst > Grade.Mild)
            {
                return (null, false);
            }

            complete += day.IsComplete ? 1 : 0;
            newest = day.IsComplete ? day : newest;
        }

        Exposure exposure = default;
        for (int i = course.NightReports.FirstIndex(r => r.Date > from); i < course.NightReports.Length && course.NightReports[i].Date <= on; i++)
        {
            voices.LookOn(course.NightReports[i].Date.AddDays(gates.ToleratedDays));
            exposure += course.ExposureOf(course.NightReports[i], segment);
        }

        bool applied = exposure.Planned > 0 && exposure.Applied >= course.Protocol.StepUp.MinimumExposure * exposure.Planned;
        bool enough = complete >= gates.ToleratedCheckIns;
        return (enough && applied ? newest : null, applied && !enough);
    }

    /// <summary>
    /// Whether the top step has once been tolerated for the set days and has not been troubled since: check-ins may then be further apart.
    /// </summary>
    public static bool Settled(CourseTimeline course, StepSegment segment, Voices voices)
    {
        if (!course.Regimen.IsTop(segment.Step))
        {
            return false;
        }

        for (int i = course.Days.Length - 1; i >= course.FirstDayOnStep && course.Days[i].Worst <= Grade.Mild; i--)
        {
            if (course.Days[i].IsComplete && ToleratedUpTo(course, segment, course.Days[i].Date, voices).Tolerated is not null)
            {
                return true;
            }
        }

        return false;
    }

    private static EffectReport? NewestEffect(CourseTimeline course, Voices voices)
    {
        if (course.Effects.Length == 0)
        {
            return null;
        }

        EffectReport newest = course.Effects[^1];
        DateOnly expires = newest.Date.AddDays(course.Protocol.Strength.EffectHoldsDays + 1);
        voices.LookOn(expires);
        return course.Today < expires ? newest : null;
    }

    private static DateOnly Latest(params ReadOnlySpan<DateOnly> dates)
    {
        DateOnly latest = dates[0];
        foreach (DateOnly date in dates)
        {
            latest = date > latest ? date : latest;
        }

        return latest;
    }
}
