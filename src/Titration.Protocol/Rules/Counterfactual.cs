using System.Collections.Immutable;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>A change to what was known, or to when it was looked at, and nothing else.</summary>
public abstract record Change
{
    private Change()
    {
    }

    /// <summary>The same facts, looked at this late.</summary>
    public sealed record Later(DateTimeOffset At) : Change;

    /// <summary>
    /// One more complete check-in by the patient, at the time of looking: every sign has this grade, and every planned application that nobody has
    /// reported yet was made.
    /// </summary>
    public sealed record CheckIn(Grade Grade) : Change;

    /// <summary>Such a check-in without any sign, on this date at noon, looked at then.</summary>
    public sealed record GoodCheckInOn(DateOnly Date) : Change;

    /// <summary>One resource less, in all its versions.</summary>
    public sealed record Without(ResourceVersion Source) : Change;

    /// <summary>The history and the instant with the change made.</summary>
    public (PatientHistory History, AsOf AsOf) MadeTo(PatientHistory history, AsOf asOf) => this switch
    {
        Later later => (history, asOf.At(later.At)),
        CheckIn added => (With(history, added.Grade, asOf.Instant), asOf),
        GoodCheckInOn good when ClinicZone.At(good.Date, Noon, asOf.Zone) is var at => (With(history, Grade.None, at), asOf.At(at)),
        Without gone => (history with { Facts = [.. history.Facts.Where(f => f.Source.Type != gone.Source.Type || f.Source.Id != gone.Source.Id)] }, asOf),
        _ => throw new System.Diagnostics.UnreachableException(),
    };

    private static readonly TimeOnly Noon = new(12, 0);

    private static PatientHistory With(PatientHistory history, Grade grade, DateTimeOffset at) => history with
    {
        Facts = history.Facts.Add(new ObservationFact
        {
            // No server gives out such an id, so it takes no other resource's place.
            Source = new ResourceVersion("Observation", "?", "1", at, "?"),
            Patient = history.Patient,
            Status = ObservationStatus.Counts,
            Effective = ClinicalTime.At(at),
            PerformerKind = PerformerKind.Patient,
            Performer = $"Patient/{history.Patient}",
            IsPanel = true,
            Statements = [.. Enum.GetValues<Sign>().Select(s => new Statement.Graded(s, grade)), new Statement.ApplicationsMissed(0)],
        }),
    };
}

/// <summary>A change under which the outcome, or the step that it proposes, would have been another one.</summary>
/// <param name="Change">The change.</param>
/// <param name="Outcome">What the outcome would have been; null: none.</param>
/// <param name="Proposed">The step that would have been proposed, where one would.</param>
/// <param name="Rule">The rule that would have decided; null where there is no outcome.</param>
public sealed record Counterfactual(Change Change, Outcome? Outcome, Step? Proposed, string? Rule)
{
    /// <summary>How many looks ahead are tried, and how many days.</summary>
    private const int MostLooks = 60;
    private const int MostDays = 120;

    /// <summary>
    /// What would have changed an evaluation. Each change is found by making it and evaluating again, so what is said here is so; of changes
    /// that were not tried nothing is said.
    /// </summary>
    /// <param name="evaluation">The evaluation, of a course.</param>
    /// <param name="history">What was known.</param>
    /// <param name="protocol">The protocol it was made by.</param>
    /// <param name="asOf">The instant it was made at, and the clinic.</param>
    /// <returns>Null where history and protocol do not give this evaluation: then nothing can be said.</returns>
    public static ImmutableArray<Counterfactual>? Of(Evaluation evaluation, PatientHistory history, ProtocolDefinition protocol, AsOf asOf)
    {
        if (evaluation.Course is not { } course || Look(history, asOf) is not { } again || !Same(again, evaluation) || evaluation.Outcome is not { } outcome)
        {
            return null;
        }

        List<Counterfactual> found = [];
        if (Later(again) is { } later)
        {
            found.Add(later);
        }

        Try(new Change.CheckIn(Grade.None));
        if (outcome < Decisions.Outcome.StepUp && !found.Exists(IsBolder))
        {
            for (int days = 1; days <= MostDays && !found.Exists(IsBolder); days++)
            {
                Try(new Change.GoodCheckInOn(asOf.Date.AddDays(days)), onlyBolder: true);
            }
        }

        Try(new Change.CheckIn(Grade.Moderate));
        Try(new Change.CheckIn(Grade.Severe));
        foreach (ResourceVersion source in evaluation.Reasons.TakeWhile(r => r.Outcome == outcome).SelectMany(r => r.Evidence).DistinctBy(s => (s.Type, s.Id)))
        {
            // Without its order there is no course.
            if (source.Type != "MedicationRequest" || source.Id != evaluation.Order?.Id)
            {
                Try(new Change.Without(source));
            }
        }

        return [.. found];

        Evaluation? Look(PatientHistory known, AsOf at) =>
            TitrationPolicy.Evaluate(known, protocol, at).FirstOrDefault(e => e.Course?.Id == course.Id);

        bool IsBolder(Counterfactual c) => c.Outcome is Decisions.Outcome.StepUp or Decisions.Outcome.Resume && c.Outcome > outcome;

        void Try(Change change, bool onlyBolder = false)
        {
            (PatientHistory known, AsOf at) = change.MadeTo(history, asOf);
            if (Look(known, at) is { } changed && !Same(changed, evaluation) && Of(change, changed) is var result && (!onlyBolder || IsBolder(result)))
            {
                found.Add(result);
            }
        }

        Counterfactual? Later(Evaluation from)
        {
            Evaluation? ahead = from;
            for (int look = 0; look < MostLooks && ahead?.NextLook is { } next; look++)
            {
                ahead = Look(history, asOf.At(next));
                if (ahead is not null && !Same(ahead, evaluation))
                {
                    return Of(new Change.Later(next), ahead);
                }
            }

            return null;
        }
    }

    private static Counterfactual Of(Change change, Evaluation changed) =>
        new(change, changed.Outcome, changed.Proposed, changed.Reasons.IsEmpty ? null : changed.Reasons[0].Rule);

    private static bool Same(Evaluation a, Evaluation b) => a.Outcome == b.Outcome && a.Proposed == b.Proposed;
}
