using System.Collections.Immutable;
using System.Runtime.InteropServices;
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

    private static readonly int SignCount = Enum.GetValues<Sign>().Length;

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
    public static List<DayReport> Of(List<Observed> observations)
    {
        List<DayReport> days = new(observations.Count);
        List<Given> given = [];
        DateOnly date = default;
        foreach (Observed observation in observations)
        {
            if (observation.Date != date && given.Count > 0)
            {
                days.Add(OfDay(date, CollectionsMarshal.AsSpan(given)));
                given.Clear();
            }

            date = observation.Date;
            AddGiven(given, observation);
        }

        if (given.Count > 0)
        {
            days.Add(OfDay(date, CollectionsMarshal.AsSpan(given)));
        }

        return days;
    }

    private static void AddGiven(List<Given> given, Observed observation)
    {
        foreach (Statement statement in observation.Fact.Statements)
        {
            if (statement is Statement.Graded graded)
            {
                given.Add(new Given(graded.Sign, graded.Grade, observation.At, observation.Fact));
            }
        }
    }

    private static DayReport OfDay(DateOnly date, ReadOnlySpan<Given> given)
    {
        Grade?[] grades = new Grade?[SignCount];
        Grade worst = Grade.None;
        int requiredSum = 0;
        for (int sign = 0; sign < grades.Length; sign++)
        {
            grades[sign] = GradeOf((Sign)sign, given);
            Grade grade = grades[sign] ?? Grade.None;
            worst = grade > worst ? grade : worst;
            requiredSum += sign < RequiredSigns ? (int)grade : 0;
        }

        // The grades of one observation stand together, and each observation is here once.
        ImmutableArray<ResourceVersion>.Builder evidence = ImmutableArray.CreateBuilder<ResourceVersion>(1);
        DateTimeOffset worstAt = default;
        foreach (ref readonly Given g in given)
        {
            worstAt = g.Grade == worst ? g.At : worstAt;
            if (evidence.Count == 0 || evidence[^1] != g.Observation.Source)
            {
                evidence.Add(g.Observation.Source);
            }
        }

        return new DayReport
        {
            Date = date,
            Grades = ImmutableCollectionsMarshal.AsImmutableArray(grades),
            CompleteAt = CompleteAtOf(given),
            WorstAt = worstAt,
            Evidence = evidence.DrainToImmutable(),
            Worst = worst,
            RequiredSum = requiredSum,
        };
    }

    private static Grade? GradeOf(Sign sign, ReadOnlySpan<Given> given)
    {
        int clinician = -1;
        for (int i = 0; i < given.Length; i++)
        {
            if (given[i].Sign == sign && given[i].ByClinician && (clinician < 0 || given[i].At >= given[clinician].At))
            {
                clinician = i;
            }
        }

        Grade? worst = null;
        foreach (ref readonly Given g in given)
        {
            if (g.Sign == sign && !(g.Grade <= worst)
                && (clinician < 0 || g.ByClinician || g.At > given[clinician].At || (!g.HasHour && given[clinician].HasHour)))
            {
                worst = g.Grade;
            }
        }

        return worst;
    }

    /// <summary>A panel is a check-in by itself; the single observations of one performer and day make one.</summary>
    private static DateTimeOffset? CompleteAtOf(ReadOnlySpan<Given> given)
    {
        const int AllRequired = (1 << RequiredSigns) - 1;
        Dictionary<string, (int Signs, DateTimeOffset At)>? singles = null;
        DateTimeOffset? latest = null;
        int next = 0;
        while (next < given.Length)
        {
            (_, _, DateTimeOffset at, ObservationFact observation) = given[next];
            int signs = 0;
            for (; next < given.Length && ReferenceEquals(given[next].Observation, observation); next++)
            {
                signs |= 1 << (int)given[next].Sign;
            }

            if (!observation.IsPanel)
            {
                singles ??= new(StringComparer.Ordinal);
                (int Signs, DateTimeOffset At) before = singles.GetValueOrDefault(observation.Performer ?? "");
                signs |= before.Signs;
                at = before.At > at ? before.At : at;
                singles[observation.Performer ?? ""] = (signs, at);
            }

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
    }
}
