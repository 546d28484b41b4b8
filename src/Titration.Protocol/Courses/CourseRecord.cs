using System.Collections.Immutable;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>A step over its nights.</summary>
/// <param name="Step">What is applied.</param>
/// <param name="Since">Day 0: the first night.</param>
/// <param name="Until">First night of the next step; null: it goes on.</param>
/// <param name="Order">The version of the order that it comes from.</param>
public sealed record StepPeriod(Step Step, DateOnly Since, DateOnly? Until, ResourceVersion Order);

/// <summary>What was graded on one clinic-local day, by patient and clinician together.</summary>
/// <param name="Date">The day.</param>
/// <param name="At">When its check-in was made; of incomplete ones when the worst grade was given.</param>
/// <param name="Grades">By <see cref="Sign"/>; null where nobody graded it that day.</param>
/// <param name="IsComplete">Whether a check-in of that day grades the four signs that are needed.</param>
/// <param name="Evidence">The observations that say so.</param>
public sealed record CheckInDay(DateOnly Date, DateTimeOffset At, ImmutableArray<Grade?> Grades, bool IsComplete, ImmutableArray<ResourceVersion> Evidence);

/// <summary>Applications reported for some nights.</summary>
/// <param name="Date">Clinic-local date of the report.</param>
/// <param name="From">First night covered.</param>
/// <param name="Until">First night after those covered; equal to <paramref name="From"/> where it covers none.</param>
/// <param name="Planned">Applications planned in them, withheld nights left out.</param>
/// <param name="Applied">Applications made in them, at most one a night.</param>
/// <param name="Source">The observation that reports them.</param>
public sealed record CoveredNights(DateOnly Date, DateOnly From, DateOnly Until, decimal Planned, decimal Applied, ResourceVersion Source);

/// <summary>Nights in which nothing was to be applied: an order on hold, or a cause that withheld.</summary>
/// <param name="From">First such night.</param>
/// <param name="Until">First night after it; null: it goes on.</param>
public sealed record WithheldNights(DateOnly From, DateOnly? Until);

/// <summary>A finding that bears on the course.</summary>
/// <param name="Code">Its code.</param>
/// <param name="At">When it was so.</param>
/// <param name="Date">The clinic-local date of that.</param>
/// <param name="ClearedOn">Clinic-local date on which somebody whose word counts said that it is over; null: it stands.</param>
/// <param name="Source">The observation that says so.</param>
public sealed record FindingPeriod(string Code, DateTimeOffset At, DateOnly Date, DateOnly? ClearedOn, ResourceVersion Source);

/// <summary>What was said of the treatment's effect.</summary>
/// <param name="Date">Clinic-local date.</param>
/// <param name="Effect">What was said.</param>
/// <param name="Source">The observation that says so.</param>
public sealed record EffectSaid(DateOnly Date, Effect Effect, ResourceVersion Source);

/// <summary>
/// A course over time, as the facts known at an instant tell it: for people to read, no rule looks at it. All lists are in time order.
/// </summary>
public sealed record CourseRecord
{
    public required Course Course { get; init; }

    /// <summary>First night of the course.</summary>
    public required DateOnly Day0 { get; init; }

    /// <summary>Local date of the end; null while it goes on.</summary>
    public required DateOnly? EndedOn { get; init; }

    public required ImmutableArray<StepPeriod> Steps { get; init; }

    public required ImmutableArray<CheckInDay> CheckIns { get; init; }

    public required ImmutableArray<CoveredNights> Nights { get; init; }

    public required ImmutableArray<WithheldNights> Withheld { get; init; }

    public required ImmutableArray<FindingPeriod> Findings { get; init; }

    public required ImmutableArray<EffectSaid> Effects { get; init; }

    /// <summary>Of a timeline whose withheld nights are known.</summary>
    internal static CourseRecord Of(CourseTimeline course)
    {
        TimeZoneInfo zone = course.AsOf.Zone;
        ImmutableArray<StepPeriod> steps = StepsOf(course);
        ImmutableArray<WithheldNights> withheld = WithheldOf(course);
        return new CourseRecord
        {
            Course = course.Course,
            Day0 = course.Day0,
            EndedOn = course.Orders.EndedOn,
            Steps = steps,
            CheckIns = [.. course.Days.Select(d => new CheckInDay(d.Date, d.CompleteAt ?? d.WorstAt, d.Grades, d.IsComplete, d.Evidence))],
            Nights = [.. course.NightReports.Select(r => Covered(r, steps, withheld))],
            Withheld = withheld,
            Findings =
            [
                .. course.Findings.Where(f => f.Date >= course.Day0).OrderBy(f => f.At).Select(f => new FindingPeriod(
                    f.Rule.Finding.Code(), f.At, f.Date, f.ClearedAt is { } cleared ? ClinicZone.DateOf(cleared, zone) : null, f.Source)),
            ],
            Effects = [.. course.Effects.OrderBy(e => e.Date).Select(e => new EffectSaid(e.Date, e.Effect, e.Source))],
        };
    }

    private static ImmutableArray<StepPeriod> StepsOf(CourseTimeline course)
    {
        List<StepPeriod> periods = [];
        foreach (StepSegment segment in course.Orders.Segments)
        {
            Add(segment.Step with { Barrier = segment.Step.Barrier || course.CautiousOn(segment.Since) }, segment.Since, segment.Order.Source);
        }

        // A gap on the first step begins it anew without an order.
        if (course.Segment is { } current && periods.FindLastIndex(p => p.Since <= course.Today) is >= 0 and var index && current.Since > periods[index].Since)
        {
            StepPeriod begun = periods[index];
            periods[index] = begun with { Until = current.Since };
            periods.Insert(index + 1, begun with { Since = current.Since });
        }

        return [.. periods];

        void Add(Step step, DateOnly since, ResourceVersion order)
        {
            if (periods.Count > 0)
            {
                periods[^1] = periods[^1] with { Until = since };
            }

            periods.Add(new StepPeriod(step, since, null, order));
        }
    }

    /// <summary>Holds and causes, those that meet as one.</summary>
    private static ImmutableArray<WithheldNights> WithheldOf(CourseTimeline course)
    {
        IEnumerable<WithheldNights> all = course.Orders.Pauses.Concat(course.AnsweredStretches).Select(p => new WithheldNights(p.From, p.Until));
        if (course.WithheldSince is { } since)
        {
            all = all.Append(new WithheldNights(since, null));
        }

        List<WithheldNights> merged = [];
        foreach (WithheldNights next in all.Where(w => !(w.Until <= w.From)).OrderBy(w => w.From))
        {
            if (merged.Count > 0 && !(merged[^1].Until < next.From))
            {
                DateOnly? until = merged[^1].Until is { } a && next.Until is { } b ? (a > b ? a : b) : null;
                merged[^1] = merged[^1] with { Until = until };
            }
            else
            {
                merged.Add(next);
            }
        }

        return [.. merged];
    }

    private static CoveredNights Covered(NightReport report, ImmutableArray<StepPeriod> steps, ImmutableArray<WithheldNights> withheld)
    {
        int nights = 0;
        decimal planned = 0;
        foreach (StepPeriod step in steps)
        {
            int here = Shared(report.From, report.Until, step.Since, step.Until);
            foreach (WithheldNights pause in withheld)
            {
                DateOnly from = pause.From > step.Since ? pause.From : step.Since;
                DateOnly? until = step.Until is { } end && !(pause.Until <= end) ? end : pause.Until;
                here -= Shared(report.From, report.Until, from, until);
            }

            nights += here;
            planned += step.Step.Frequency.PlannedIn(here);
        }

        decimal applied = report.CountsMissed ? planned - report.Count : report.Count;
        return new CoveredNights(report.Date, report.From, report.Until, planned, Math.Clamp(applied, 0, report.CountsMissed ? nights : Math.Max(report.Nights, 0)), report.Source);
    }

    /// <summary>Nights of the first stretch that are of the second one too.</summary>
    private static int Shared(DateOnly from, DateOnly until, DateOnly otherFrom, DateOnly? otherUntil)
    {
        DateOnly start = from > otherFrom ? from : otherFrom;
        DateOnly end = otherUntil is { } other && other < until ? other : until;
        return Math.Max(end.DayNumber - start.DayNumber, 0);
    }
}
