using System.Collections.Immutable;
using CsCheck;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Xunit;

namespace Titration.Protocol.Tests.Properties;

/// <summary>
/// What must hold for every history. Each property is also tried on a policy that is broken on purpose, or on an evaluation that was tampered with,
/// so that a check that cannot fail shows.
/// </summary>
public sealed class PropertyTests
{
    private static readonly long Iterations = long.TryParse(Environment.GetEnvironmentVariable("TITRATION_PROPERTY_ITERATIONS"), out long set) ? set : 10_000;

    private static readonly Gen<(Case, int)> WithShuffle = Gen.Select(Histories.Clinical, Gen.Int[1, 1_000_000]);

    private static readonly Gen<(Case, int, int)> WithGradeToRaise = Gen.Select(Histories.Clinical, Gen.Int[0, 99], Gen.Int[0, 4]);

    private static readonly Gen<(Case, Fact)> WithFinding = Gen.Select(Histories.Clinical, Histories.AnyAddedFinding, (history, make) => (history, make(900)));

    private static readonly Gen<(Case, double)> WithLaterInstant = Gen.Select(Histories.Clinical, Gen.Double[0, 0.999]);

    [Fact]
    public void A_worse_grade_never_earns_a_bolder_outcome() => Hold(WithGradeToRaise, x => RaisedGrade(Case.Real, x));

    [Fact]
    public void The_check_of_worse_grades_finds_a_policy_that_reads_grades_upside_down() => Breaks(WithGradeToRaise, x => RaisedGrade(UpsideDown, x));

    [Fact]
    public void One_finding_more_never_earns_a_bolder_outcome() => Hold(WithFinding, x => AddedFinding(Case.Real, x));

    [Fact]
    public void The_check_of_added_findings_finds_a_policy_that_knows_only_the_newest_facts() => Breaks(WithFinding, x => AddedFinding(ForgetsTheFirst, x));

    [Fact]
    public void Order_and_repetition_of_facts_do_not_matter() => Hold(WithShuffle, x => Shuffled(Case.Real, x));

    [Fact]
    public void The_check_of_order_finds_a_policy_that_loses_the_last_to_arrive() => Breaks(WithShuffle, x => Shuffled(LosesTheLast, x));

    [Fact]
    public void No_step_is_too_early_on_silence_too_big_or_two_things_at_once() => Hold(Histories.Clinical, x => Dosed(Case.Real, x));

    [Fact]
    public void The_check_of_steps_finds_a_policy_that_proposes_the_top_step_whenever_it_would_stay() => Breaks(Histories.Clinical, x => Dosed(AlwaysUp, x));

    [Fact]
    public void The_same_facts_give_the_same_evaluation_also_after_a_journey_through_JSON() => Hold(Histories.Clinical, x => Replayed(Case.Real, x));

    [Fact]
    public void The_check_of_replay_finds_a_policy_that_counts_its_calls()
    {
        int calls = 0;
        Breaks(Histories.Clinical, x => Replayed((facts, protocol, asOf) => Case.Real(facts, protocol, asOf with { Instant = asOf.Instant.AddTicks(calls++) }), x));
    }

    [Fact]
    public void Nothing_changes_before_the_next_look() => Hold(WithLaterInstant, x => Unchanged(Case.Real, x));

    [Fact]
    public void The_check_of_the_next_look_finds_a_policy_that_looks_a_day_late() => Breaks(WithLaterInstant, x => Unchanged(LooksLate, x));

    [Fact]
    public void Every_evaluation_explains_itself() =>
        Hold(Histories.Clinical, x => x.EvaluatedBy(Case.Real).Select(Checks.Unexplained).FirstOrDefault(v => v is not null));

    [Fact]
    public void The_check_of_explanations_finds_a_policy_that_hides_its_first_reason() => Breaks(
        Histories.Clinical,
        x => x.EvaluatedBy(Case.Real).Select(e => e.Reasons.IsEmpty ? e : e with { Reasons = e.Reasons.RemoveAt(0) }).Select(Checks.Unexplained).FirstOrDefault(v => v is not null));

    [Fact]
    public void No_history_however_senseless_makes_it_throw() => Hold(Nonsense.Any, x => Throws(Case.Real, x));

    [Fact]
    public void The_check_of_senseless_histories_finds_a_policy_that_trips_over_the_year_1() => Breaks(Nonsense.Any, x => Throws(TripsOverYearOne, x));

    private static string? RaisedGrade(Policy policy, (Case History, int Which, int Sign) x)
    {
        List<ObservationFact> graded = [.. x.History.Facts.OfType<ObservationFact>().Where(o => o.Statements.OfType<Statement.Graded>().Any(g => g.Grade < Grade.Severe))];
        if (graded.Count == 0)
        {
            return null;
        }

        ObservationFact chosen = graded[x.Which % graded.Count];
        List<Statement.Graded> grades = [.. chosen.Statements.OfType<Statement.Graded>().Where(g => g.Grade < Grade.Severe)];
        Statement.Graded grade = grades[x.Sign % grades.Count];
        ObservationFact worse = chosen with { Statements = chosen.Statements.Replace(grade, grade with { Grade = grade.Grade + 1 }) };
        return Compare(x.History.EvaluatedBy(policy), (x.History with { Facts = x.History.Facts.Replace(chosen, worse) }).EvaluatedBy(policy));
    }

    private static string? AddedFinding(Policy policy, (Case History, Fact Finding) x) =>
        Compare(x.History.EvaluatedBy(policy), (x.History with { Facts = x.History.Facts.Add(x.Finding) }).EvaluatedBy(policy));

    private static string? Compare(ImmutableArray<Evaluation> before, ImmutableArray<Evaluation> after) =>
        before.Where(b => b.Course is not null)
            .Select(b => after.FirstOrDefault(a => a.Course == b.Course) is { } a ? Checks.Bolder(b, a) : "a course is gone")
            .FirstOrDefault(v => v is not null);

    private static string? Shuffled(Policy policy, (Case History, int Seed) x)
    {
        ImmutableArray<Fact> facts = x.History.Facts;
        ImmutableArray<Fact> shuffled = [.. facts.Concat(facts.Take(x.Seed % 5)).Select((f, i) => (f, Key: (long)(i + 7) * x.Seed % 7919)).OrderBy(p => p.Key).Select(p => p.f)];
        return Canonical.Of(x.History.EvaluatedBy(policy)) == Canonical.Of((x.History with { Facts = shuffled }).EvaluatedBy(policy)) ? null : "another evaluation";
    }

    private static string? Dosed(Policy policy, Case history) =>
        history.EvaluatedBy(policy).Select(e => Checks.Dosing(e, history)).FirstOrDefault(v => v is not null);

    private static string? Replayed(Policy policy, Case history)
    {
        string once = Canonical.Of(history.EvaluatedBy(policy));
        return once != Canonical.Of(history.EvaluatedBy(policy)) ? "another evaluation"
            : once != Canonical.Of((history with { Facts = Canonical.ThroughJson(history.Facts) }).EvaluatedBy(policy)) ? "another evaluation after JSON" : null;
    }

    /// <summary>At some instant before the next look, and at the last one before it.</summary>
    private static string? Unchanged(Policy policy, (Case History, double Part) x)
    {
        foreach (Evaluation before in x.History.EvaluatedBy(policy))
        {
            DateTimeOffset until = before.NextLook ?? x.History.At.AddDays(400);
            foreach (DateTimeOffset at in (DateTimeOffset[])[x.History.At + ((until - x.History.At) * x.Part), until.AddTicks(-1)])
            {
                ImmutableArray<Evaluation> later = (x.History with { At = at }).EvaluatedBy(policy);
                string? change = later.FirstOrDefault(l => l.Course == before.Course) is { } l ? Checks.Changed(before, l) : "the evaluation is gone";
                if (change is not null && at >= x.History.At)
                {
                    return $"{change} at {at:O}, next look {before.NextLook:O}";
                }
            }
        }

        return null;
    }

    private static string? Throws(Policy policy, Case history)
    {
        try
        {
            _ = Canonical.Of(history.EvaluatedBy(policy));
            return null;
        }
        catch (Exception e) when (e is not OutOfMemoryException)
        {
            return e.ToString();
        }
    }

    private static ImmutableArray<Evaluation> UpsideDown(ImmutableArray<Fact> facts, Definitions.ProtocolDefinition protocol, AsOf asOf) => Case.Real(
        [.. facts.Select(f => f is ObservationFact o ? o with { Statements = [.. o.Statements.Select(s => s is Statement.Graded g ? g with { Grade = Grade.Severe - (int)g.Grade } : s)] } : f)],
        protocol, asOf);

    private static ImmutableArray<Evaluation> ForgetsTheFirst(ImmutableArray<Fact> facts, Definitions.ProtocolDefinition protocol, AsOf asOf) => Case.Real(
        facts.Length > 0 && facts[^1].Source.VersionId == "900" ? [.. facts.Where(f => f is not ObservationFact || f == facts[^1])] : facts, protocol, asOf);

    private static ImmutableArray<Evaluation> LosesTheLast(ImmutableArray<Fact> facts, Definitions.ProtocolDefinition protocol, AsOf asOf) =>
        Case.Real(facts[..^1], protocol, asOf);

    private static ImmutableArray<Evaluation> AlwaysUp(ImmutableArray<Fact> facts, Definitions.ProtocolDefinition protocol, AsOf asOf) =>
    [
        .. Case.Real(facts, protocol, asOf).Select(e => e is { Outcome: Outcome.Maintain, Step: { } step }
            ? e with { Outcome = Outcome.StepUp, Proposed = step.Step with { StrengthPercent = 0.1m, Frequency = new Frequency(1, 1), GramsPerApplication = 0.5m } }
            : e),
    ];

    private static ImmutableArray<Evaluation> LooksLate(ImmutableArray<Fact> facts, Definitions.ProtocolDefinition protocol, AsOf asOf) =>
        [.. Case.Real(facts, protocol, asOf).Select(e => e with { NextLook = e.NextLook?.AddDays(1) })];

    private static ImmutableArray<Evaluation> TripsOverYearOne(ImmutableArray<Fact> facts, Definitions.ProtocolDefinition protocol, AsOf asOf) =>
        facts.OfType<ObservationFact>().Any(o => o.Effective.StartIn(asOf.Zone).Year < 2) ? throw new ArgumentOutOfRangeException(nameof(facts)) : Case.Real(facts, protocol, asOf);

    private static void Hold<T>(Gen<T> gen, Func<T, string?> violation) => gen.Sample(
        x =>
        {
            if (violation(x) is { } what)
            {
                throw new InvalidOperationException(what);
            }
        },
        iter: Iterations);

    private static void Breaks<T>(Gen<T> gen, Func<T, string?> violation) =>
        Assert.ThrowsAny<Exception>(() => gen.Sample(x => violation(x) is null, iter: 2_000, threads: 1));
}
