using System.Text.Json;
using Microsoft.EntityFrameworkCore;
using Spectre.Console;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using Titration.Worker.Explaining;

namespace Titration.Worker.Commands;

/// <summary>The courses as a table for people and as JSON for programs.</summary>
internal static class CourseList
{
    /// <summary>In place of an outcome: the course has ended, or the patient is not followed.</summary>
    public const string NoOutcome = "none";

    public static async Task<int> WriteAsync(
        TitrationDbContext database, RecordSettings settings, string? outcome, bool onlyOpen, bool json, CancellationToken cancellationToken)
    {
        if (!TimeZoneInfo.TryFindSystemTimeZoneById(settings.Options.Clinic.TimeZone, out TimeZoneInfo? zone))
        {
            return Records.Refuse($"Titration:Clinic:TimeZone: \"{settings.Options.Clinic.TimeZone}\" is not a time zone known here");
        }

        ModeChangeRow? chosen = await database.ModeChangeAsync(cancellationToken);
        OperatingMode mode = chosen?.Mode ?? OperatingMode.Shadow;
        ILookup<Guid, CommunicationKind> open = await OpenAsync(database, cancellationToken);
        Outcome? sought = outcome is null or NoOutcome ? null : EnumCode.Parse<Outcome>(outcome);
        List<Line> courses = (await database.Courses.AsNoTracking()
            .Where(c => outcome == null || c.Outcome == sought)
            .OrderBy(c => c.Patient).ThenBy(c => c.Ingredient).ThenBy(c => c.Area)
            .Select(c => new Line(c.Id, c.Patient, c.Ingredient, c.Area, c.Step, c.StepSince, c.Outcome, c.NextLook,
                // No other outcome is had by one who is not followed.
                c.Outcome == null || c.Outcome == Outcome.Discontinue || c.Outcome == Outcome.Withhold || c.Outcome == Outcome.RequestReview ? c.Evaluation : null)).ToListAsync(cancellationToken))
            .FindAll(c => !onlyOpen || open.Contains(c.Id));
        if (json)
        {
            Console.WriteLine(JsonSerializer.Serialize(
                courses.Select(c => new
                {
                    course = c.Id,
                    mode = mode.Code(),
                    patient = $"Patient/{c.Patient}",
                    ingredient = c.Ingredient,
                    area = c.Area,
                    step = c.Step,
                    since = c.Since,
                    outcome = c.Outcome?.Code(),
                    followed = c.IsFollowed,
                    nextLook = c.NextLook,
                    open = open[c.Id].Select(k => k.Code()),
                }),
                Records.Json));
            return ExitCode.Done;
        }

        string column = mode switch
        {
            OperatingMode.Live => "open",
            OperatingMode.Paused => "open (paused)",
            OperatingMode.Shadow => "would be open",
        };
        Table table = new Table().Border(TableBorder.Simple).AddColumns(
            new TableColumn("course").NoWrap(), new TableColumn("patient"), new TableColumn("treatment"), new TableColumn("step"), new TableColumn("since").NoWrap(),
            new TableColumn("outcome").NoWrap(), new TableColumn("next look").NoWrap(), new TableColumn(column));
        foreach (Line course in courses)
        {
            string waiting = string.Join(", ", open[course.Id].CountBy(k => k).Select(k => k.Value == 1 ? k.Key.Code() : $"{k.Value} {k.Key.Code()}"));
            table.AddRow(
                new Text($"{course.Id}"[..CourseReader.ShortId]), new Text(course.Patient), new Text($"{course.Ingredient}, {course.Area}"), new Text(course.Step ?? ""),
                new Text($"{course.Since:yyyy-MM-dd}"), new Text(Words.InShort(course.Outcome, course.IsFollowed), Markedly(course.Outcome)),
                new Text(course.NextLook is { } next ? $"{ClinicZone.DateOf(next, zone):yyyy-MM-dd}" : "new facts"), new Text(waiting));
        }

        if (Words.MeaningOf(mode) is { } meaning)
        {
            Console.WriteLine($"Mode {mode.Code()}: {meaning}{(chosen is null ? "" : $" (since {chosen.At.ToUniversalTime():yyyy-MM-dd HH:mm'Z'} by {chosen.By})")}.");
        }

        if (courses.Count > 0)
        {
            Records.Write(table);
        }

        Console.WriteLine($"{courses.Count} course(s). `titration course show COURSE` explains one.");
        return ExitCode.Done;
    }

    /// <summary>The kinds of what stands unanswered, by course, the most pressing first.</summary>
    private static async Task<ILookup<Guid, CommunicationKind>> OpenAsync(TitrationDbContext database, CancellationToken cancellationToken)
    {
        List<CommunicationRow> standing = await database.Communications.AsNoTracking()
            .Where(c => c.State == CommunicationState.Standing && c.CourseId != null).ToListAsync(cancellationToken);
        List<byte[]> contents = await database.Facts.Where(f => f.ResourceType == "Task" || f.ResourceType == "CommunicationRequest").Select(f => f.Content).ToListAsync(cancellationToken);
        ILookup<Guid, AnswerFact> answers = contents.Select(c => StoredJson.ReadFact(c)).OfType<AnswerFact>().ToLookup(a => a.Communication);
        return standing.Where(c => CommunicationFate.IsOpen(c, answers[c.Key])).OrderBy(c => c.Kind).ToLookup(c => c.CourseId!.Value, c => c.Kind);
    }

    private static Style Markedly(Outcome? outcome) => new(decoration: outcome <= Outcome.StepDown ? Decoration.Bold : Decoration.None);

    private sealed record Line(Guid Id, string Patient, string Ingredient, string Area, string? Step, DateOnly? Since, Outcome? Outcome, DateTimeOffset? NextLook, byte[]? Evaluation)
    {
        public bool IsFollowed { get; } = Evaluation is null || StoredJson.ReadEvaluation(Evaluation).NotFollowed is null;
    }
}
