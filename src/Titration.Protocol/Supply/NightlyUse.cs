using Titration.Protocol.Courses;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Supply;

/// <summary>Consecutive nights of the same use.</summary>
/// <param name="From">First night.</param>
/// <param name="Until">First night after them; null: they go on as far as is known.</param>
/// <param name="Applications">
/// As reported or planned, none where the nights are withheld; as planned also where <paramref name="Answered"/>. A fraction, so that what one application in three
/// nights uses is exact.
/// </param>
/// <param name="Step">The step in force: grams of product for an application, and its strength.</param>
/// <param name="Reported">Whether somebody reported these nights; the others count as planned.</param>
/// <param name="Answered">Whether a cause withheld them until an order answered it: nothing is applied.</param>
internal readonly record struct NightlyUse(
    DateOnly From, DateOnly? Until, Frequency Applications, Step Step, bool Reported, bool Answered)
{
    private static readonly Frequency None = new(0m, 1m);

    /// <summary>Whether anything is applied.</summary>
    public bool IsUse => !Answered && Applications.Applications > 0m && Step.GramsPerApplication > 0m;

    /// <summary>How many there are, up to the calendar's end where they go on.</summary>
    public int Nights => (Until ?? ClinicZone.Within(DateOnly.MaxValue)).DayNumber - From.DayNumber;

    /// <summary>How many of the nights are before a date.</summary>
    public int NightsBefore(DateOnly date) => Math.Max((Until is { } end && end < date ? end : date).DayNumber - From.DayNumber, 0);

    /// <summary>Grams of product in so many of the nights.</summary>
    public decimal GramsIn(int nights) => Answered ? 0m : Applications.PlannedIn(nights) * Step.GramsPerApplication;

    /// <summary>How many of the nights an amount of product lasts, in fractions of a night; only where something is applied.</summary>
    public decimal NightsFrom(decimal grams) => grams * Applications.PerDays / (Applications.Applications * Step.GramsPerApplication);

    /// <summary>
    /// What is applied each night from day 0 on: what was reported, and where nobody reported, what was planned. Withheld nights use
    /// nothing but what was reported of them. Beyond today it goes on as ordered.
    /// </summary>
    public static IEnumerable<NightlyUse> Of(CourseTimeline course)
    {
        List<DateOnly> bounds = Bounds(course);
        int segment = -1;
        int report = 0;
        for (int i = 0; i < bounds.Count; i++)
        {
            DateOnly from = bounds[i];
            DateOnly? until = i + 1 < bounds.Count ? bounds[i + 1] : null;
            while (segment + 1 < course.Orders.Segments.Length && (segment < 0 || course.Orders.Segments[segment + 1].Since <= from))
            {
                segment++;
            }

            while (report < course.NightReports.Length && course.NightReports[report].Until <= from)
            {
                report++;
            }

            Step step = course.Orders.Segments[segment].Step;
            bool reported = report < course.NightReports.Length && course.NightReports[report].From <= from;
            Frequency applications = reported ? ReportedIn(course, course.NightReports[report], step)
                : course.WithheldNights(from, from.AddDays(1)) > 0 ? None
                : step.Frequency;
            yield return new NightlyUse(
                from, until, applications, step, reported, Answered: !reported && IsAnswered(course, from));
        }
    }

    /// <summary>Every date on which the use may change, from day 0 on, in time order.</summary>
    private static List<DateOnly> Bounds(CourseTimeline course)
    {
        List<DateOnly> bounds = new(capacity: course.NightReports.Length + 8) { course.Day0, course.WithheldSince ?? course.Day0 };
        foreach (StepSegment segment in course.Orders.Segments)
        {
            bounds.Add(segment.Since);
        }

        foreach (OrderedSupply order in course.Dispensed)
        {
            bounds.Add(order.On);
        }

        foreach (NightReport report in course.NightReports)
        {
            // Mostly a report begins where the one before ended.
            if (report.From != bounds[^1])
            {
                bounds.Add(report.From);
            }

            bounds.Add(report.Until);
        }

        foreach (Pause pause in course.Orders.Pauses.Concat(course.AnsweredStretches))
        {
            bounds.Add(pause.From);
            bounds.Add(pause.Until ?? pause.From);
        }

        bounds.Sort();
        int kept = 0;
        for (int i = 0; i < bounds.Count; i++)
        {
            if (bounds[i] >= course.Day0 && (kept == 0 || bounds[i] > bounds[kept - 1]))
            {
                bounds[kept++] = bounds[i];
            }
        }

        bounds.RemoveRange(kept, bounds.Count - kept);
        return bounds;
    }

    /// <summary>Whether a cause withheld this night until an order answered it.</summary>
    private static bool IsAnswered(CourseTimeline course, DateOnly night)
    {
        foreach (Pause stretch in course.AnsweredStretches)
        {
            if (stretch.From <= night && night < stretch.Until)
            {
                return true;
            }
        }

        return false;
    }

    /// <summary>The count taken evenly over the nights that it covers; at most one application a night.</summary>
    private static Frequency ReportedIn(CourseTimeline course, NightReport report, Step step)
    {
        decimal applied = report.CountsMissed
            ? Math.Clamp(step.Frequency.PlannedIn(report.Nights - course.WithheldNights(report.From, report.Until)) - report.Count, 0m, report.Nights)
            : Math.Clamp(report.Count, 0, report.Nights);
        return new Frequency(applied, report.Nights);
    }
}
