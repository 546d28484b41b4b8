using System.Collections.Immutable;
using Titration.Protocol.Courses;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>One condition of a step up.</summary>
/// <param name="Rule">Its id.</param>
/// <param name="IsOpen">Whether it lets through.</param>
/// <param name="Text">Its numbers.</param>
/// <param name="Evidence">What it looked at.</param>
/// <param name="OpenSince">The first date from which it is open; null while it is shut.</param>
internal sealed record Gate(string Rule, bool IsOpen, string Text, ImmutableArray<ResourceVersion> Evidence, DateOnly? OpenSince)
{
    /// <summary>Since when one more check-in is all that this gate lacks; null where it is open, or lacks something else.</summary>
    public DateOnly? LacksCheckInSince { get; init; }
}

/// <summary>
/// The case for going up from the step in force: rules 3 (time), 4 (exposure), 5 (evidence), 7 (order), 8 (strength), each a gate. All of
/// them open, and nothing more cautious speaking, make a step up.
/// </summary>
internal sealed class StepUpCase
{
    private readonly DateOnly? _evidenceExpires;

    private StepUpCase(ImmutableArray<Gate> gates, Step? next, DateOnly? evidenceExpires)
    {
        Gates = gates;
        Next = next;
        _evidenceExpires = evidenceExpires;
    }

    public ImmutableArray<Gate> Gates { get; }

    /// <summary>The step it would go to; null where there is none.</summary>
    public Step? Next { get; }

    public bool IsOpen => Gates.All(g => g.IsOpen);

    /// <summary>Whether fresh evidence is all that it lacks.</summary>
    public bool LacksOnlyEvidence => !IsOpen && Gates.All(g => g.IsOpen || g.Rule == RuleIds.Evidence || g.LacksCheckInSince is not null);

    /// <summary>Where fresh evidence is all that it lacks: since when.</summary>
    public DateOnly LacksEvidenceSince
    {
        get
        {
            DateOnly others = Gates.Where(g => g.Rule != RuleIds.Evidence).Max(g => g.OpenSince ?? g.LacksCheckInSince!.Value);
            return _evidenceExpires > others ? _evidenceExpires.Value : others;
        }
    }

    public static StepUpCase Of(CourseTimeline course, StepSegment segment, Voices voices)
    {
        Step? next = course.Regimen.Above(segment.Step);
        DayReport? evidence = NewestEvidence(course, segment);
        List<Gate> gates =
        [
            Order(course, segment, next),
            Time(course, segment, voices),
            Exposed(course, segment, voices),
            Evidence(course, segment, evidence, voices),
            RecentModerate(course, segment, voices),
            Rising(course, segment),
        ];
        Interacting.AddGates(gates, course, segment, voices);
        if (next is not null && next.StrengthPercent > segment.Step.StrengthPercent)
        {
            gates.Add(StrengthGate.Of(course, segment, voices));
        }

        if (Supply.UnderUse(course, segment) is { } underUse)
        {
            gates.Add(underUse);
        }

        return new StepUpCase([.. gates], next, evidence?.Date.AddDays(course.Protocol.StepUp.EvidenceHoldsDays + 1));
    }

    private static Gate Order(CourseTimeline course, StepSegment segment, Step? next)
    {
        Step step = segment.Step;
        string start = segment.Since == course.Day0 && !course.Regimen.IsFirst(step) ? "; the start is above the protocol's first step, as ordered" : "";
        return next is null
            ? new Gate(RuleIds.Order, false, $"no step above {StepText.Of(step)} within one dimension and twice the weekly active dose{start}", [segment.Order.Source], null)
            : new Gate(
                RuleIds.Order, true,
                $"from {StepText.Of(step)} to {StepText.Of(next)}: {step.WeeklyActiveMilligrams:0.#####} to {next.WeeklyActiveMilligrams:0.#####} mg active a week{start}",
                [segment.Order.Source], segment.Since);
    }

    private static Gate Time(CourseTimeline course, StepSegment segment, Voices voices)
    {
        int minimum = course.Ladder.MinimumDaysOnStep;
        int days = course.DaysOnStep(course.Today);
        int withheld = course.WithheldNights(segment.Since, course.Today);
        DateOnly opens = course.Today.AddDays(minimum - days);
        voices.LookOn(opens);
        string text = $"day {Math.Max(days, 0)} of the step that began on {segment.Since:O}, {minimum} full days are needed"
            + (withheld > 0 ? $" ({withheld} withheld nights not counted)" : "");
        return new Gate(RuleIds.Time, days >= minimum, text, [segment.Order.Source], days >= minimum ? opens : null);
    }

    private static Gate Exposed(CourseTimeline course, StepSegment segment, Voices voices)
    {
        StepUpGates gates = course.Protocol.StepUp;
        Exposure exposure = course.OnStep;
        string assumed = "";
        if (gates.CountUnreportedNights)
        {
            int unreported = course.DaysOnStep(course.Today) - exposure.Nights;
            decimal planned = segment.Step.Frequency.PlannedIn(Math.Max(unreported, 0));
            exposure += new Exposure(Math.Max(unreported, 0), planned, planned);
            assumed = ", unreported nights assumed as planned";
            voices.LookOn(course.Today.AddDays(1));
        }

        bool open = exposure.Applied >= gates.MinimumApplications && exposure.Applied >= gates.MinimumExposure * exposure.Planned;
        ImmutableArray<NightReport> reports = course.ReportsOnStep;
        long above = 0;
        ImmutableArray<ResourceVersion>.Builder evidence = ImmutableArray.CreateBuilder<ResourceVersion>(reports.Length + 1);
        evidence.Add(segment.Order.Source);
        foreach (NightReport report in reports)
        {
            above += report.CountsMissed || report.Nights == 0 ? 0L : Math.Max((long)report.Count - report.Nights, 0);
            evidence.Add(report.Source);
        }

        string capped = above > 0 ? $", {above} reported above the nights there were not counted" : "";
        string text = $"{exposure.Applied:0.##} applied of {exposure.Planned:0.##} planned over {exposure.Nights} reported nights{assumed}{capped}, "
            + $"at least {gates.MinimumApplications} and {gates.MinimumExposure:P0} are needed";
        DateOnly since = reports.Length > 0 ? reports[^1].Date : segment.Since;
        return new Gate(RuleIds.Exposure, open, text, evidence.DrainToImmutable(), open ? since : null);
    }

    private static DayReport? NewestEvidence(CourseTimeline course, StepSegment segment)
    {
        for (int i = course.Days.Length - 1; i >= course.FirstDayOnStep; i--)
        {
            DayReport day = course.Days[i];
            bool late = day.Date.DayNumber - segment.Since.DayNumber >= course.Protocol.StepUp.EvidenceAfterDays;
            if (day.IsComplete && late && FollowedApplications(course, segment, day))
            {
                return day;
            }
        }

        return null;
    }

    private static Gate Evidence(CourseTimeline course, StepSegment segment, DayReport? newest, Voices voices)
    {
        StepUpGates gates = course.Protocol.StepUp;
        if (newest is null)
        {
            return new Gate(
                RuleIds.Evidence, false,
                $"no complete check-in {gates.EvidenceAfterDays} or more days after {segment.Since:O} that followed reported applications",
                [segment.Order.Source], null);
        }

        int age = course.Today.DayNumber - newest.Date.DayNumber;
        bool open = age <= gates.EvidenceHoldsDays;
        voices.LookOn(newest.Date.AddDays(gates.EvidenceHoldsDays + 1));
        return new Gate(
            RuleIds.Evidence, open,
            $"complete check-in of {newest.Date:O}, day {newest.Date.DayNumber - segment.Since.DayNumber} of the step, {age} days old, "
            + $"worst sign {(int)newest.Worst} (holds {gates.EvidenceHoldsDays} days)",
            newest.Evidence, open ? newest.Date : null);
    }

    /// <summary>Whether the reports that cover the week before the check-in hold an application: a good report without any proves nothing.</summary>
    private static bool FollowedApplications(CourseTimeline course, StepSegment segment, DayReport day)
    {
        DateOnly from = day.Date.AddDays(-7);
        decimal applied = 0;
        for (int i = course.ReportsOnStep.FirstIndex(r => r.Until > from); i < course.ReportsOnStep.Length && course.ReportsOnStep[i].From < day.Date; i++)
        {
            applied += course.ExposureOf(course.ReportsOnStep[i], segment).Applied;
        }

        return applied >= 1 || course.Protocol.StepUp.CountUnreportedNights;
    }

    private static Gate RecentModerate(CourseTimeline course, StepSegment segment, Voices voices)
    {
        int without = course.Protocol.StepUp.DaysWithoutModerate;
        for (int i = course.Days.Length - 1; i >= 0; i--)
        {
            DayReport day = course.Days[i];
            if (day.Worst >= Grade.Moderate)
            {
                DateOnly opens = day.Date.AddDays(without + 1);
                voices.LookOn(opens);
                return course.Today < opens
                    ? new Gate(RuleIds.RecentModerate, false, $"a sign of {(int)day.Worst} on {day.Date:O}, within {without} days", day.Evidence, null)
                    : new Gate(RuleIds.RecentModerate, true, $"no sign of 2 or more since {day.Date:O}", [], opens);
            }
        }

        return new Gate(RuleIds.RecentModerate, true, "no sign of 2 or more", [], segment.Since);
    }

    /// <summary>The sum of the four required signs going up over the newest complete check-ins, on as many dates.</summary>
    private static Gate Rising(CourseTimeline course, StepSegment segment)
    {
        int needed = course.Protocol.Severity.RisingCheckIns;
        List<DayReport> newest = [];
        for (int i = course.Days.Length - 1; i >= course.FirstDayOnStep && newest.Count < needed; i--)
        {
            if (course.Days[i].IsComplete)
            {
                newest.Insert(0, course.Days[i]);
            }
        }

        bool rising = newest.Count == needed;
        for (int i = 1; i < newest.Count; i++)
        {
            rising &= newest[i].RequiredSum > newest[i - 1].RequiredSum;
        }

        return rising
            ? new Gate(
                RuleIds.Rising, false, $"irritation rising over {needed} check-ins: {string.Join(", ", newest.Select(d => d.RequiredSum))} in all",
                [.. newest.SelectMany(d => d.Evidence)], null)
            : new Gate(RuleIds.Rising, true, "irritation not rising", [], newest.Count > 0 ? newest[^1].Date : segment.Since);
    }
}
