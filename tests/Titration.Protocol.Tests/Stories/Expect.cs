using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests.Stories;

/// <summary>What the stories assert, in the words of the rules.</summary>
internal static class Expect
{
    /// <summary>The outcome, and the rule that decided it.</summary>
    public static void Decides(this Evaluation evaluation, Outcome outcome, string rule)
    {
        Assert.Equal(outcome, evaluation.Outcome);
        Assert.Equal(rule, evaluation.Reasons[0].Rule);
    }

    /// <summary>The course stays, and this gate is the only thing in the way.</summary>
    public static void StaysOnlyFor(this Evaluation evaluation, string rule)
    {
        Assert.Equal(Outcome.Maintain, evaluation.Outcome);
        Assert.All(evaluation.Reasons.Where(r => r.Outcome == Outcome.Maintain), r => Assert.Equal(rule, r.Rule));
    }

    public static RuleResult Reason(this Evaluation evaluation, string rule) => evaluation.Reasons.Single(r => r.Rule == rule);

    public static bool Gives(this Evaluation evaluation, string rule, Outcome outcome) =>
        evaluation.Reasons.Any(r => r.Rule == rule && r.Outcome == outcome);

    public static bool Has(this Evaluation evaluation, CommunicationKind kind) => evaluation.Communications.Any(c => c.Kind == kind);

    public static CommunicationIntent The(this Evaluation evaluation, CommunicationKind kind) => evaluation.Communications.Single(c => c.Kind == kind);

    /// <summary>The proposed dosage: strength, nights per week, grams.</summary>
    public static void Proposes(this Evaluation evaluation, decimal strength, decimal nightsPerWeek, decimal grams)
    {
        Assert.NotNull(evaluation.Proposed);
        Assert.Equal((strength, nightsPerWeek, grams),
            (evaluation.Proposed.StrengthPercent, evaluation.Proposed.Frequency.NightsPerWeek, evaluation.Proposed.GramsPerApplication));
    }

    /// <summary>Ready on 15 March: the worked example with an order of 1 March, seven applications of 6.5 planned, nothing to see.</summary>
    public static Story Ready(string first = "0000", string second = "0000") => new Story()
        .Order("2026-03-01T10:00")
        .CheckIn("2026-03-06T19:00", first, applied: 3)
        .CheckIn("2026-03-14T19:00", second, applied: 4);

    /// <summary>Complete check-ins every so many days at 19:00, with applications reported.</summary>
    public static Story CheckInsEvery(this Story story, int days, string from, string to, int applied, string grades = "0000")
    {
        DateOnly last = DateOnly.Parse(to);
        for (DateOnly day = DateOnly.Parse(from); day <= last; day = day.AddDays(days))
        {
            story.CheckIn($"{day:yyyy-MM-dd}T19:00", grades, applied: applied);
        }

        return story;
    }

    /// <summary>A complete check-in whose count of nights covers a period that it gives.</summary>
    public static Story CheckInForPeriod(this Story story, string start, string at, int applied) => story.With(new ObservationFact
    {
        Source = new ResourceVersion("Observation", $"period-{at}", "1", story.Local(at), $"period-{start}-{at}"),
        Patient = "p1",
        Status = ObservationStatus.Counts,
        Effective = ClinicalTime.At(story.Local(at)),
        PeriodStart = ClinicalTime.On(DateOnly.Parse(start)),
        PerformerKind = PerformerKind.Patient,
        Performer = "Patient/p1",
        IsPanel = true,
        Statements =
        [
            .. Enumerable.Range(0, 4).Select(sign => new Statement.Graded((Sign)sign, Grade.None)),
            new Statement.NightsApplied(applied),
        ],
    });

    /// <summary>An order for a product that is not titrated, without a dosage of interest.</summary>
    public static Story Other(
        this Story story, string authored, string ingredient, ProductRole role, string id = "other", PrescriptionStatus status = PrescriptionStatus.Active,
        string? recorded = null) =>
        story.Order(authored, id, status, ingredient: ingredient, role: role, recorded: recorded);

    /// <summary>The last fact again, changed: another version of it, or another content under the same version.</summary>
    public static Story Again(this Story story, Func<ObservationFact, ObservationFact> change)
    {
        ObservationFact last = (ObservationFact)story.Facts[^1];
        return story.With(change(last));
    }

    public static ImmutableArray<Statement> Grades(string grades) =>
        [.. grades.Select((grade, sign) => new Statement.Graded((Sign)sign, (Grade)(grade - '0')))];
}
