using System.Collections.Immutable;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>
/// The check-ins of one clinic-local day, taken together: each sign has its highest grade, except that a clinician's grade replaces
/// what the patient graded at or before the clinician's time.
/// </summary>
internal sealed record DayReport
{
    /// <summary>The four signs that make a check-in complete; itch is welcome.</summary>
    public const int RequiredSigns = 4;

    public required DateOnly Date { get; init; }

    /// <summary>By <see cref="Sign"/>; null where nobody graded it that day: a missing grade is never 0.</summary>
    public required ImmutableArray<Grade?> Grades { get; init; }

    /// <summary>When the last complete check-in of the day was made; null where none was complete.</summary>
    public required DateTimeOffset? CompleteAt { get; init; }

    /// <summary>When the worst grade was given.</summary>
    public required DateTimeOffset WorstAt { get; init; }

    public required ImmutableArray<ResourceVersion> Evidence { get; init; }

    public bool IsComplete => CompleteAt is not null;

    public Grade Worst { get; private init; }

    /// <summary>Sum of the four required signs; 0 to 12.</summary>
    public int RequiredSum { get; private init; }

    public bool IsCompleteAndMild => IsComplete && Worst <= Grade.Mild;

    /// <summary>The day reports of these observations, oldest first. The observations come in time order.</summary>
    public static List<DayReport> Of(List<ObservationFact> observations, TimeZoneInfo zone)
    {
        List<DayReport> days = [];
        int start = 0;
        while (start < observations.Count)
        {
            DateOnly date = observations[start].Effective.DateIn(zone);
            int end = start + 1;
            while (end < observations.Count && observations[end].Effective.DateIn(zone) == date)
            {
                end++;
            }

            if (OfDay(date, observations.GetRange(start, end - start), zone) is { } day)
            {
                days.Add(day);
            }

            start = end;
        }

        return days;
    }

    private static DayReport? OfDay(DateOnly date, List<ObservationFact> observations, TimeZoneInfo zone)
    {
        List<Given> given = [];
        foreach (ObservationFact observation in observations)
        {
            foreach (Statement statement in observation.Statements)
            {
                if (statement is Statement.Graded graded)
                {
                    given.Add(new Given(graded.Sign, graded.Grade, observation.Effective.StartIn(zone), observation));
                }
            }
        }

        if (given.Count == 0)
        {
            return null;
        }

        Grade?[] grades = new Grade?[Enum.GetValues<Sign>().Length];
        for (int sign = 0; sign < grades.Length; sign++)
        {
            grades[sign] = GradeOf((Sign)sign, given);
        }

        Grade worst = grades.Max() ?? Grade.None;
        return new DayReport
        {
            Date = date,
            Grades = [.. grades],
            CompleteAt = CompleteAtOf(given),
            WorstAt = given.FindLast(g => g.Grade == worst).At,
            Evidence = [.. given.Select(g => g.Observation.Source).Distinct()],
            Worst = worst,
            RequiredSum = grades.Take(RequiredSigns).Sum(g => (int)(g ?? Grade.None)),
        };
    }

    private static Grade? GradeOf(Sign sign, List<Given> given)
    {
        Given? clinician = null;
        Grade? worst = null;
        foreach (Given g in given)
        {
            if (g.Sign == sign && g.ByClinician && !(g.At < clinician?.At))
            {
                clinician = g;
            }
        }

        foreach (Given g in given)
        {
            bool stands = g.ByClinician || clinician is not { } c || g.At > c.At || (!g.HasHour && c.HasHour);
            if (g.Sign == sign && stands && !(g.Grade <= worst))
            {
                worst = g.Grade;
            }
        }

        return worst;
    }

    /// <summary>A panel is a check-in by itself; the single observations of one performer and day make one.</summary>
    private static DateTimeOffset? CompleteAtOf(List<Given> given)
    {
        DateTimeOffset? latest = null;
        foreach (IGrouping<(string? Panel, string? Performer), Given> checkIn in given.GroupBy(g => g.CheckIn))
        {
            int signs = 0;
            DateTimeOffset at = DateTimeOffset.MinValue;
            foreach (Given g in checkIn)
            {
                signs |= 1 << (int)g.Sign;
                at = g.At > at ? g.At : at;
            }

            const int AllRequired = (1 << RequiredSigns) - 1;
            if ((signs & AllRequired) == AllRequired && !(at <= latest))
            {
                latest = at;
            }
        }

        return latest;
    }

    private readonly record struct Given(Sign Sign, Grade Grade, DateTimeOffset At, ObservationFact Observation)
    {
        /// <summary>Without an hour it may have been later than any hour of that day.</summary>
        public bool HasHour => Observation.Effective.Instant is not null;

        public bool ByClinician => Observation.PerformerKind == PerformerKind.Clinician;

        public (string? Panel, string? Performer) CheckIn => Observation.IsPanel ? (Observation.Source.Id, null) : (null, Observation.Performer ?? "");
    }
}
