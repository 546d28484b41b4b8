using System.Collections.Immutable;
using System.Globalization;
using System.Text.Encodings.Web;
using System.Text.Json;
using Spectre.Console;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Worker.Configuration;

namespace Titration.Worker.Commands;

/// <summary>Evaluations as a table for people and as JSON for programs.</summary>
internal static class EvaluationOutput
{
    private static readonly JsonSerializerOptions Json = new(JsonSerializerDefaults.Web)
    {
        WriteIndented = true,
        Encoder = JavaScriptEncoder.UnsafeRelaxedJsonEscaping,
    };

    public static void WriteJson(ImmutableArray<Evaluation> evaluations, Settings settings) =>
        Console.WriteLine(JsonSerializer.Serialize(evaluations.Select(e => Shape(e, settings)), Json));

    public static void WriteTable(ImmutableArray<Evaluation> evaluations, Settings settings)
    {
        Table table = new Table().Border(TableBorder.Rounded).Expand();
        table.AddColumns("Patient", "Course", "Step in force", "Outcome", "Why", "Look again");
        foreach (Evaluation evaluation in evaluations)
        {
            table.AddRow(
                Markup.Escape(evaluation.Patient),
                Markup.Escape(evaluation.Course is { } course ? $"{course.Ingredient}, {course.Area}" : "none"),
                Markup.Escape(evaluation.Step is { } step ? $"{Words(step.Step)}\nsince {step.Since:yyyy-MM-dd}" : "none"),
                Markup.Escape(OutcomeText(evaluation)),
                Markup.Escape(evaluation.Reasons.IsEmpty ? "" : $"{evaluation.Reasons[0].Rule}: {evaluation.Reasons[0].Text}"),
                Markup.Escape(evaluation.NextLook is { } next ? Local(next, settings.Policy.Zone) : "with new facts"));
        }

        AnsiConsole.Write(table);
        AnsiConsole.MarkupLineInterpolated($"{evaluations.Length} course(s), policy {settings.Policy.Hash[..12]}, clinic time {settings.Policy.Zone.Id}. Proposals only: a clinician decides.");
    }

    /// <summary>A step in words, such as <c>0.025 % alternate nights, 0.25 g</c>.</summary>
    public static string Words(Step step)
    {
        string often = (step.Frequency.Applications, step.Frequency.PerDays) switch
        {
            (1, 1) => "nightly",
            (1, 2) => "alternate nights",
            (1, 3) => "every third night",
            _ => $"{step.Frequency.NightsPerWeek.ToString("0.##", CultureInfo.InvariantCulture)} nights a week",
        };
        return string.Create(
            CultureInfo.InvariantCulture,
            $"{step.StrengthPercent:0.####} % {often}, {step.GramsPerApplication:0.###} g{(step.Barrier ? ", barrier support" : "")}");
    }

    public static string OutcomeText(Evaluation evaluation) => evaluation switch
    {
        { Outcome: null } => "ended",
        { Proposed: { } proposed } => $"{evaluation.Outcome.Value.Code()}\nto {Words(proposed)}",
        _ => evaluation.Outcome.Value.Code(),
    };

    private static string Local(DateTimeOffset instant, TimeZoneInfo zone) =>
        TimeZoneInfo.ConvertTime(instant, zone).ToString("yyyy-MM-dd HH:mm", CultureInfo.InvariantCulture);

    private static object Shape(Evaluation evaluation, Settings settings)
    {
        Guid decision = Reconciliation.DecisionId(evaluation.Patient, 1);
        return new
        {
            patient = $"Patient/{evaluation.Patient}",
            course = evaluation.Course is { } course ? new { id = course.Id, ingredient = course.Ingredient, area = course.Area } : null,
            asOf = evaluation.AsOf.ToUniversalTime(),
            policyHash = settings.Policy.Hash,
            outcome = evaluation.Outcome?.Code(),
            step = evaluation.Step is { } step ? Shape(step.Step, step.Since) : null,
            proposedStep = evaluation.Proposed is { } proposed ? Shape(proposed, null) : null,
            reasons = evaluation.Reasons.Select(r => new { rule = r.Rule, text = r.Text, evidence = r.Evidence.Select(e => e.Reference) }),
            findings = evaluation.Findings.Select(f => f.Code),
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
