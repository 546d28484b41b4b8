using Titration.Protocol.Courses;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Supply;

/// <summary>Consecutive nights of the same use.</summary>
/// <param name="From">First night.</param>
/// <param name="Until">First night after them; null: they go on as far as is known.</param>
/// <param name="GramsPerNight">Grams of product a night, averaged over the step's period: 0.125 g for 0.25 g on alternate nights.</param>
/// <param name="StrengthPercent">Per cent weight by weight of what is applied.</param>
/// <param name="Reported">Whether somebody reported these nights; the others count as planned.</param>
/// <param name="MostGramsPerNight">Grams a night at most: as planned also where a cause withheld the night until an order answered it.</param>
internal readonly record struct NightlyUse(
    DateOnly From, DateOnly? Until, decimal GramsPerNight, decimal StrengthPercent, bool Reported, decimal MostGramsPerNight)
{
    /// <summary>How many there are, up to the calendar's end where they go on.</summary>
    public int Nights => (Until ?? ClinicZone.Within(DateOnly.MaxValue)).DayNumber - From.DayNumber;

    /// <summary>How many of the nights are before a date.</summary>
    public int NightsBefore(DateOnly date) => Math.Max((Until is { } end && end < date ? end : date).DayNumber - From.DayNumber, 0);

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
            decimal most = reported ? ReportedPerNight(course, course.NightReports[report], step)
                : course.WithheldNights(from, from.AddDays(1)) > 0 ? 0m
                : step.Frequency.PlannedIn(1);
            decimal applications = !reported && course.AnsweredStretches.Any(s => s.From <= from && from < s.Until) ? 0m : most;
            yield return new NightlyUse(
                from, until, applications * step.GramsPerApplication, step.StrengthPercent, reported, most * step.GramsPerApplication);
        }
    }

    /// <summary>Every date on which the use may change, from day 0 on, in time order.</summary>
    private static List<DateOnly> Bounds(CourseTimeline course)
    {
        List<DateOnly> bounds = [course.Day0, course.WithheldSince ?? course.Day0];
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
            bounds.Add(report.From);
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

    /// <summary>The count taken evenly over the nights that it covers; at most one application a night.</summary>
    private static decimal ReportedPerNight(CourseTimeline course, NightReport report, Step step)
    {
        decimal applied = report.CountsMissed
            ? step.Frequency.PlannedIn(report.Nights - course.WithheldNights(report.From, report.Until)) - report.Count
            : report.Count;
        return Math.Clamp(applied, 0m, report.Nights) / report.Nights;
    }
}
