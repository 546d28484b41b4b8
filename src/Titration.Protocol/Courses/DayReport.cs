using System.Collections.Immutable;
using System.Runtime.InteropServices;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>
/// The check-ins of one clinic-local day, taken together: each sign has its highest grade, except that a clinician's grade replaces
/// what the patient graded at or before the clinician's time.
/// </summary>
internal sealed class DayReport
{
    /// <summary>The four signs that make a check-in complete; itch is welcome.</summary>
    public const int RequiredSigns = 4;

    private static readonly int SignCount = Enum.GetValues<Sign>().Length;

    private readonly ReadOnlyMemory<Observed> _observations;

    private DayReport(ReadOnlyMemory<Observed> observations)
    {
        _observations = observations;
        Date = observations.Span[0].Date;
        CompleteAt = CompleteAtOf(observations.Span);
        Span<Grade?> grades = stackalloc Grade?[SignCount];
        FindGrades(observations.Span, grades);
        for (int sign = 0; sign < grades.Length; sign++)
        {
            Grade grade = grades[sign] ?? Grade.None;
            Worst = grade > Worst ? grade : Worst;
            RequiredSum += sign < RequiredSigns ? (int)grade : 0;
        }
    }

    public DateOnly Date { get; }

    /// <summary>When the last complete check-in of the day was made; null where none was complete.</summary>
    public DateTimeOffset? CompleteAt { get; }

    public bool IsComplete => CompleteAt is not null;

    public Grade Worst { get; }

    /// <summary>Sum of the four required signs; 0 to 12.</summary>
    public int RequiredSum { get; }

    public bool IsCompleteAndMild => IsComplete && Worst <= Grade.Mild;

    /// <summary>When the worst grade was given.</summary>
    public DateTimeOffset WorstAt => LastGraded(_observations.Span, Worst);

    /// <summary>By <see cref="Sign"/>; null where nobody graded it that day: a missing grade is never 0.</summary>
    public ImmutableArray<Grade?> Grades
    {
        get
        {
            Grade?[] grades = new Grade?[SignCount];
            FindGrades(_observations.Span, grades);
            return ImmutableCollectionsMarshal.AsImmutableArray(grades);
        }
    }

    /// <summary>What graded anything.</summary>
    public ImmutableArray<ResourceVersion> Evidence
    {
        get
        {
            ImmutableArray<ResourceVersion>.Builder evidence = ImmutableArray.CreateBuilder<ResourceVersion>(_observations.Length);
            foreach (ref readonly Observed observed in _observations.Span)
            {
                if (observed.Signs != 0)
                {
                    evidence.Add(observed.Fact.Source);
                }
            }

            return evidence.DrainToImmutable();
        }
    }

    /// <summary>The day reports of these observations, oldest first. The observations come in time order; those that grade nothing make no report.</summary>
    public static ImmutableArray<DayReport> Of(ImmutableArray<Observed> observations)
    {
        ImmutableArray<DayReport>.Builder days = ImmutableArray.CreateBuilder<DayReport>(observations.Length);
        int next = 0;
        while (next < observations.Length)
        {
            int first = next;
            bool grades = false;
            while (next < observations.Length && observations[next].Date == observations[first].Date)
            {
                grades |= observations[next].Signs != 0;
                next++;
            }

            if (grades)
            {
                days.Add(new DayReport(observations.AsMemory()[first..next]));
            }
        }

        return days.DrainToImmutable();
    }

    private static void FindGrades(ReadOnlySpan<Observed> observations, Span<Grade?> grades)
    {
        Span<int> clinicians = stackalloc int[SignCount];
        FindClinicians(observations, clinicians);
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
        }
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
