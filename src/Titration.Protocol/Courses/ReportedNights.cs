using System.Collections.Immutable;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>A count of nights and the nights that it covers.</summary>
/// <param name="Date">Clinic-local date of the check-in that reported it.</param>
/// <param name="From">First night covered.</param>
/// <param name="Until">First night after those covered; equal to <paramref name="From"/> where it covers none.</param>
/// <param name="Count">What was reported.</param>
/// <param name="CountsMissed">True where <paramref name="Count"/> is of applications left out, false where it is of nights applied.</param>
/// <param name="Source">The reporting observation.</param>
internal readonly record struct NightReport(DateOnly Date, DateOnly From, DateOnly Until, int Count, bool CountsMissed, ResourceVersion Source)
{
    public int Nights => Until.DayNumber - From.DayNumber;
}

/// <summary>
/// Which nights were reported. A check-in dated D covers the nights from the previous reporting check-in's date (else day 0) to
/// D - 1; a second one of that day covers none; a period given covers its own nights, and overlaps count once.
/// </summary>
internal static class ReportedNights
{
    public static ImmutableArray<NightReport> Of(ImmutableArray<Observed> observations, DateOnly courseDay0, TimeZoneInfo zone)
    {
        ImmutableArray<NightReport>.Builder reports = ImmutableArray.CreateBuilder<NightReport>(observations.Length);
        DateOnly covered = courseDay0;
        foreach (Observed observed in observations)
        {
            if (CountOf(observed.Fact.Statements) is not var (count, missed))
            {
                continue;
            }

            DateOnly date = observed.Date;
            DateOnly from = observed.Fact.PeriodStart is { } start && start.DateIn(zone) > covered ? start.DateIn(zone) : covered;
            DateOnly until = date > from ? date : from;
            if (date >= courseDay0)
            {
                reports.Add(new NightReport(date, from, until, count, missed, observed.Fact.Source));
                covered = until > covered ? until : covered;
            }
        }

        return reports.DrainToImmutable();
    }

    private static (int Count, bool Missed)? CountOf(ImmutableArray<Statement> statements)
    {
        (int, bool)? count = null;
        foreach (Statement statement in statements)
        {
            count = statement switch
            {
                Statement.NightsApplied applied => (applied.Nights, false),
                Statement.ApplicationsMissed missed when count is null => (missed.Applications, true),
                _ => count,
            };
        }

        return count;
    }
}

/// <summary>Applications over some nights of one step.</summary>
/// <param name="Nights">Reported nights that were not withheld.</param>
/// <param name="Planned">Applications planned in them.</param>
/// <param name="Applied">Applications reported in them, at most one a night.</param>
internal readonly record struct Exposure(int Nights, decimal Planned, decimal Applied)
{
    public static Exposure operator +(Exposure a, Exposure b) => new(a.Nights + b.Nights, a.Planned + b.Planned, a.Applied + b.Applied);
}
