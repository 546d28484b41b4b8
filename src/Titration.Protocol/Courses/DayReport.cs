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

    /// <summary>The day reports of these observations, oldest first. The observations come in time order; those that grade nothing make no report.</summary>
    public static ImmutableArray<DayReport> Of(ImmutableArray<Observed> observations)
    {
        ImmutableArray<DayReport>.Builder days = ImmutableArray.CreateBuilder<DayReport>(observations.Length);
        int next = 0;
        while (next < observations.Length)
        {
            int first = next;
            while (next < observations.Length && observations[next].Date == observations[first].Date)
            {
                next++;
            }

            if (OfDay(observations.AsSpan()[first..next]) is { } day)
            {
                days.Add(day);
            }
        }

        return days.DrainToImmutable();
    }

    private static DayReport? OfDay(ReadOnlySpan<Observed> observations)
    {
        Span<int> clinicians = stackalloc int[SignCount];
        FindClinicians(observations, clinicians);
        Grade?[] grades = new Grade?[SignCount];
        ImmutableArray<ResourceVersion>.Builder evidence = ImmutableArray.CreateBuilder<ResourceVersion>(1);
        foreach (ref readonly Observed observed in observations)
        {
            foreach (Statement statement in observed.Fact.Statements)
            {
                if (statement is Statement.Graded graded)
                {
                    int sign = (int)graded.Sign;
                    if (!(graded.Grade <= grades[sign]) && (clinicians[sign] < 0 || Outranks(observed, observations[clinicians[sign]])))
                    {
                        grades[sign] = graded.Grade;
                    }
                }
            }

            if (observed.Signs != 0)
            {
                evidence.Add(observed.Fact.Source);
            }
        }

        if (evidence.Count == 0)
        {
            return null;
        }

        Grade worst = Grade.None;
        int requiredSum = 0;
        for (int sign = 0; sign < grades.Length; sign++)
        {
            Grade grade = grades[sign] ?? Grade.None;
            worst = grade > worst ? grade : worst;
            requiredSum += sign < RequiredSigns ? (int)grade : 0;
        }

        return new DayReport
        {
            Date = observations[0].Date,
            Grades = ImmutableCollectionsMarshal.AsImmutableArray(grades),
            CompleteAt = CompleteAtOf(observations),
            WorstAt = LastGraded(observations, worst),
            Evidence = evidence.DrainToImmutable(),
            Worst = worst,
            RequiredSum = requiredSum,
        };
    }

    /// <summary>By sign the index of the last observation in which a clinician graded it; -1: no clinician did.</summary>
    private static void FindClinicians(ReadOnlySpan<Observed> observations, Span<int> clinicians)
    {
        clinicians.Fill(-1);
        for (int i = 0; i < observations.Length; i++)
        {
            if (ByClinician(observations[i]))
            {
                foreach (Statement statement in observations[i].Fact.Statements)
                {
                    if (statement is Statement.Graded graded)
                    {
                        clinicians[(int)graded.Sign] = i;
                    }
                }
            }
        }
    }

    /// <summary>Whether a grade counts beside that of a clinician: a clinician's own, or later. Without an hour it may have been later than any hour of that day.</summary>
    private static bool Outranks(Observed observed, Observed clinician) =>
        ByClinician(observed) || observed.At > clinician.At
        || (observed.Fact.Effective.Instant is null && clinician.Fact.Effective.Instant is not null);

    private static bool ByClinician(Observed observed) => observed.Fact.PerformerKind == PerformerKind.Clinician;

    private static DateTimeOffset LastGraded(ReadOnlySpan<Observed> observations, Grade worst)
    {
        for (int i = observations.Length - 1; i >= 0; i--)
        {
            foreach (Statement statement in observations[i].Fact.Statements)
            {
                if (statement is Statement.Graded graded && graded.Grade == worst)
                {
                    return observations[i].At;
                }
            }
        }

        return default;
    }

    /// <summary>A panel is a check-in by itself; the single observations of one performer and day make one.</summary>
    private static DateTimeOffset? CompleteAtOf(ReadOnlySpan<Observed> observations)
    {
        const int AllRequired = (1 << RequiredSigns) - 1;
        Dictionary<string, (int Signs, DateTimeOffset At)>? singles = null;
        DateTimeOffset? latest = null;
        foreach (ref readonly Observed observed in observations)
        {
            DateTimeOffset at = observed.At;
            int signs = observed.Signs;
            if (signs == 0)
            {
                continue;
            }

            if (!observed.Fact.IsPanel)
            {
                singles ??= new(StringComparer.Ordinal);
                (int Signs, DateTimeOffset At) before = singles.GetValueOrDefault(observed.Fact.Performer ?? "");
                signs |= before.Signs;
                at = before.At > at ? before.At : at;
                singles[observed.Fact.Performer ?? ""] = (signs, at);
            }

            if ((signs & AllRequired) == AllRequired && !(at <= latest))
            {
                latest = at;
            }
        }

        return latest;
    }
}
