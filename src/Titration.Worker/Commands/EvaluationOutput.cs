using System.Collections.Immutable;
using System.Globalization;
using System.Text.Encodings.Web;
using System.Text.Json;
using Spectre.Console;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Doses;
using Titration.Protocol.Facts;
using Titration.Worker.Configuration;
using Titration.Worker.Explaining;

namespace Titration.Worker.Commands;

/// <summary>Evaluations as a table for people and as JSON for programs.</summary>
internal static class EvaluationOutput
{
    private static readonly JsonSerializerOptions Json = new(JsonSerializerDefaults.Web)
    {
        WriteIndented = true,
        Encoder = JavaScriptEncoder.UnsafeRelaxedJsonEscaping,
    };

    public static void WriteJson(ImmutableArray<(Evaluation Evaluation, CourseFigures? Figures)> courses, Settings settings) =>
        Console.WriteLine(JsonSerializer.Serialize(courses.Select(c => Shape(c.Evaluation, c.Figures, settings)), Json));

    public static void WriteTable(ImmutableArray<(Evaluation Evaluation, CourseFigures? Figures)> courses, Settings settings)
    {
        foreach ((Evaluation evaluation, CourseFigures? figures) in courses)
        {
            AnsiConsole.Write(Block(evaluation, figures, settings));
        }

        AnsiConsole.MarkupLineInterpolated($"{courses.Length} course(s), policy {settings.Policy.Hash[..12]}, clinic time {settings.Policy.Zone.Id}. Proposals only: a clinician decides.");
    }

    /// <summary>One course: what, why, and when to look again. A grid and not a table, so that it reads at any width.</summary>
    private static Panel Block(Evaluation evaluation, CourseFigures? figures, Settings settings)
    {
        Grid grid = new Grid().AddColumn(new GridColumn().NoWrap().PadRight(2)).AddColumn();
        grid.AddRow(new Text("step in force"), new Text(evaluation.Step is { } step ? $"{StepText.Of(step.Step)}, since {step.Since:yyyy-MM-dd}" : "none"));
        grid.AddRow(new Text("outcome"), new Text(OutcomeText(evaluation), new Style(decoration: Decoration.Bold)));
        foreach ((RuleResult reason, int index) in evaluation.Reasons.Select((r, i) => (r, i)))
        {
            grid.AddRow(new Text(index == 0 ? "because" : ""), new Text($"{reason.Rule} ({reason.Outcome.Code()}): {reason.Text}"));
        }

        foreach (CommunicationIntent intent in evaluation.Communications)
        {
            grid.AddRow(new Text("stands"), new Text($"{intent.Kind.Code()}, {intent.Priority.Code()}, {(intent.NeedsApproval ? "draft" : "active")}, to {RecipientOf(evaluation, intent, settings)}"));
        }

        if (figures is not null)
        {
            WriteFigures(grid, figures);
        }

        grid.AddRow(new Text("look again"), new Text(evaluation.NextLook is { } next ? Local(next, settings.Policy.Zone) : "with new facts"));
        string course = evaluation.Course is { } c ? $"{c.Ingredient}, {c.Area}" : "no course";
        return new Panel(grid) { Header = new PanelHeader(Markup.Escape($" Patient/{evaluation.Patient}: {course} ")), Border = BoxBorder.Rounded, Expand = true };
    }

    private static void WriteFigures(Grid grid, CourseFigures figures)
    {
        string week = figures is { GramsPerWeek: { } grams, ActiveMilligramsPerWeek: { } active } ? $"{grams:0.###} g ({active:0.###} mg active) a week; " : "";
        grid.AddRow(
            new Text("amounts"), new Text($"{week}{figures.GramsApplied:0.###} g ({figures.ActiveMilligramsApplied:0.###} mg active) applied so far, unreported nights as planned"));
        foreach ((ProjectedStep ahead, int index) in figures.Ahead.Select((a, i) => (a, i)))
        {
            grid.AddRow(new Text(index == 0 ? "at the earliest" : ""), new Text($"{ahead.Earliest:yyyy-MM-dd} {StepText.Of(ahead.Step)}"));
        }
    }

    public static string OutcomeText(Evaluation evaluation) => evaluation switch
    {
        { Outcome: null } => Words.InShort(null, evaluation.NotFollowed is null),
        { Proposed: { } proposed } => $"{evaluation.Outcome.Value.Code()} to {StepText.Of(proposed)}",
        _ => evaluation.Outcome.Value.Code(),
    };

    private static string Local(DateTimeOffset instant, TimeZoneInfo zone) =>
        TimeZoneInfo.ConvertTime(instant, zone).ToString("yyyy-MM-dd HH:mm", CultureInfo.InvariantCulture);

    private static object Shape(Evaluation evaluation, CourseFigures? figures, Settings settings)
    {
        Guid decision = Reconciliation.DecisionId(evaluation.Patient, 1);
        return new
        {
            patient = $"Patient/{evaluation.Patient}",
            course = evaluation.Course is { } course ? new { id = course.Id, ingredient = course.Ingredient, area = course.Area } : null,
            asOf = evaluation.AsOf.ToUniversalTime(),
            policyHash = settings.Policy.Hash,
            followed = evaluation.NotFollowed is null,
            outcome = evaluation.Outcome?.Code(),
            step = evaluation.Step is { } step ? Shape(step.Step, step.Since) : null,
            proposedStep = evaluation.Proposed is { } proposed ? Shape(proposed, null) : null,
            reasons = evaluation.Reasons.Select(r => new { rule = r.Rule, text = r.Text, evidence = r.Evidence.Select(e => e.Reference) }),
            findings = evaluation.Findings.Select(f => f.Code),
            figures = figures is null ? null : new
            {
                gramsPerWeek = figures.GramsPerWeek,
                activeMilligramsPerWeek = figures.ActiveMilligramsPerWeek,
                gramsApplied = figures.GramsApplied,
                activeMilligramsApplied = figures.ActiveMilligramsApplied,
                usedUpAtEarliest = figures.UsedUpAtEarliest,
                usedUpAtLatest = figures.UsedUpAtLatest,
                ahead = figures.Ahead.Select(a => Shape(a.Step, a.Earliest)),
            },
            nextLook = evaluation.NextLook?.ToUniversalTime(),
            communications = evaluation.Communications.Select(c => new
            {
                key = Reconciliation.KeyOf(evaluation, c, decision),
                kind = c.Kind.Code(),
                priority = c.Priority.Code(),
                status = c.NeedsApproval ? "draft" : "active",
                recipient = RecipientOf(evaluation, c, settings),
            }),
        };
    }

    private static object Shape(Step step, DateOnly? since) => new
    {
        strengthPercent = step.StrengthPercent,
        nightsPerWeek = step.Frequency.NightsPerWeek,
        gramsPerApplication = step.GramsPerApplication,
        barrier = step.Barrier,
        since,
    };

    private static string RecipientOf(Evaluation evaluation, CommunicationIntent intent, Settings settings) => intent.Audience switch
    {
        Audience.Patient => $"Patient/{evaluation.Patient}",
        Audience.Prescriber => evaluation.Prescriber ?? settings.Clinic.Pool,
        Audience.Clinic => settings.Clinic.Pool,
    };
}
