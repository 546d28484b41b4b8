using System.Collections.Immutable;
using CsCheck;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests.Properties;

/// <summary>What is said to have changed a decision would have done so.</summary>
public sealed class CounterfactualTests
{
    private static readonly long Iterations = long.TryParse(Environment.GetEnvironmentVariable("TITRATION_PROPERTY_ITERATIONS"), out long set) ? set / 20 : 500;

    private static readonly Story TwoWeeks = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4);

    [Fact]
    public void Whatever_is_stated_comes_true_when_the_change_is_made() =>
        Histories.Clinical.Sample(c => Assert.Null(Untrue(c, Of(c))), iter: Iterations);

    [Fact]
    public void The_check_finds_a_statement_that_is_not_true() => Assert.ThrowsAny<CsCheckException>(() => Histories.Clinical.Sample(
        c => Assert.Null(Untrue(c, [.. Of(c).Select(x => (x.Evaluation, x.Otherwise with { Outcome = Outcome.Resume }))])), iter: Iterations));

    [Fact]
    public void On_day_13_of_the_worked_example_time_alone_makes_the_step_up()
    {
        Counterfactual later = Single<Change.Later>("2026-03-14T20:00");

        Assert.Equal((TwoWeeks.Local("2026-03-15"), Outcome.StepUp), (((Change.Later)later.Change).At, later.Outcome));
        Assert.Equal("0.025 % nightly, 0.25 g", StepText.Of(later.Proposed!));
    }

    [Fact]
    public void On_day_13_a_moderate_sign_or_a_severe_one_would_have_decided_otherwise()
    {
        IEnumerable<(Grade, Outcome?)> worse = Otherwise("2026-03-14T20:00").Where(c => c.Change is Change.CheckIn).Select(c => (((Change.CheckIn)c.Change).Grade, c.Outcome));

        // A fresh 2 on day 13 holds back what is held back anyway: the outcome is the same, so nothing is said of it.
        Assert.Equal([(Grade.Severe, Outcome.Withhold)], worse);
    }

    [Fact]
    public void A_step_up_says_which_report_it_could_not_do_without() => Assert.Equal(
        ["obs1 Maintain", "obs2 AwaitCheckIn"],
        Otherwise("2026-03-15T08:00").Where(c => c.Change is Change.Without).Select(c => $"{((Change.Without)c.Change).Source.Id} {c.Outcome}"));

    [Fact]
    public void Before_the_step_is_due_it_names_the_day_on_which_a_good_check_in_would_do() =>
        Assert.Equal((new DateOnly(2026, 3, 15), Outcome.StepUp), (((Change.GoodCheckInOn)Single<Change.GoodCheckInOn>("2026-03-02T08:00").Change).Date, Single<Change.GoodCheckInOn>("2026-03-02T08:00").Outcome));

    [Fact]
    public void Of_an_evaluation_that_these_facts_do_not_give_nothing_is_said() => Assert.Null(Counterfactual.Of(
        TwoWeeks.AsOf("2026-03-15T08:00") with { Outcome = Outcome.Withhold }, new PatientHistory("p1", TwoWeeks.Facts), Story.Standard, AsOf("2026-03-15T08:00")));

    [Fact]
    public void Of_a_patient_who_is_not_followed_no_change_is_said_to_bring_a_step_up()
    {
        Story story = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4).Finding("2026-03-14T20:00", FindingKind.FacialSwelling);
        PatientHistory history = new("p1", story.Facts);
        AsOf asOf = new(story.AsOf("2026-03-15T08:00").AsOf, story.Zone, Follow: Following.Enrolled);
        Evaluation evaluation = Assert.Single(TitrationPolicy.Evaluate(history, Story.Standard, asOf));
        Assert.NotNull(evaluation.NotFollowed);

        ImmutableArray<Counterfactual> otherwise = Counterfactual.Of(evaluation, history, Story.Standard, asOf)!.Value;

        Assert.Contains(otherwise, c => c.Change is Change.Without && c.Outcome is null);
        Assert.DoesNotContain(otherwise, c => c.Outcome > Outcome.Withhold);
    }

    private static AsOf AsOf(string at) => new(TwoWeeks.AsOf(at).AsOf, TwoWeeks.Zone);

    private static ImmutableArray<Counterfactual> Otherwise(string at) =>
        Counterfactual.Of(TwoWeeks.AsOf(at), new PatientHistory("p1", TwoWeeks.Facts), Story.Standard, AsOf(at))!.Value;

    private static Counterfactual Single<T>(string at) where T : Change => Assert.Single(Otherwise(at), c => c.Change is T);

    private static ImmutableArray<(Evaluation Evaluation, Counterfactual Otherwise)> Of(Case history) =>
    [
        .. history.EvaluatedBy(Case.Real).SelectMany(
            e => Counterfactual.Of(e, new PatientHistory("p1", history.Facts), history.Protocol, history.AsOf) ?? [], (e, c) => (e, c)),
    ];

    private static string? Untrue(Case history, ImmutableArray<(Evaluation Evaluation, Counterfactual Otherwise)> stated)
    {
        foreach ((Evaluation evaluation, Counterfactual otherwise) in stated)
        {
            (PatientHistory changed, AsOf at) = otherwise.Change.MadeTo(new PatientHistory("p1", history.Facts), history.AsOf);
            Evaluation after = Case.Real(changed.Facts, history.Protocol, at).Single(e => e.Course?.Id == evaluation.Course!.Id);
            bool asStated = after.Outcome == otherwise.Outcome && after.Proposed == otherwise.Proposed;
            bool another = after.Outcome != evaluation.Outcome || after.Proposed != evaluation.Proposed;
            if (!asStated || !another)
            {
                return $"{otherwise.Change}: stated {otherwise.Outcome}, is {after.Outcome}, was {evaluation.Outcome}";
            }

            if (otherwise.Change is Change.Later later && Sooner(history, evaluation, later.At) is { } sooner)
            {
                return $"{otherwise.Change}: it changes at {sooner:O} already";
            }
        }

        return null;
    }

    /// <summary>An instant before the one that is named at which time alone has changed it: the start of a day.</summary>
    private static DateTimeOffset? Sooner(Case history, Evaluation evaluation, DateTimeOffset named)
    {
        TimeZoneInfo zone = history.AsOf.Zone;
        for (DateOnly day = history.AsOf.Date.AddDays(1); ClinicZone.StartOf(day, zone) < named && day < history.AsOf.Date.AddDays(20); day = day.AddDays(1))
        {
            Evaluation then = Case.Real(history.Facts, history.Protocol, new AsOf(ClinicZone.StartOf(day, zone), zone)).Single(e => e.Course?.Id == evaluation.Course!.Id);
            if (then.Outcome != evaluation.Outcome || then.Proposed != evaluation.Proposed)
            {
                return ClinicZone.StartOf(day, zone);
            }
        }

        return null;
    }
}
