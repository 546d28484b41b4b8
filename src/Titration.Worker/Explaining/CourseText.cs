using System.Globalization;
using Spectre.Console;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Worker.Explaining;

/// <summary>A course in the terminal: what stands, and a timeline. It reads at any width, and as plain text in a file.</summary>
internal static class CourseText
{
    /// <summary>Columns in a file or a pipe, which have no width of their own.</summary>
    private const int FileWidth = 110;
    private static readonly Style Bold = new(decoration: Decoration.Bold);
    private static readonly Style Faint = new(decoration: Decoration.Dim);

    public static void Write(CourseExplanation course, CourseQuestion question)
    {
        if (Console.IsOutputRedirected)
        {
            AnsiConsole.Profile.Width = FileWidth;
        }

        AnsiConsole.Write(Header(course));
        AnsiConsole.WriteLine();
        Grid timeline = new Grid().AddColumn(new GridColumn().NoWrap().Padding(0, 0, 2, 0)).AddColumn(new GridColumn().NoWrap().Padding(0, 0, 2, 0)).AddColumn(new GridColumn().Padding(0, 0, 0, 0));
        DateOnly? last = null;
        foreach (Entry entry in Entries(course).Where(e => question.Includes(e.Date, e.Decisions)).OrderBy(e => e.Date).ThenBy(e => e.At).ThenBy(e => e.Order))
        {
            foreach ((string line, Style style, int index) in entry.Lines.Select((l, i) => (l.Text, l.Style, i)))
            {
                timeline.AddRow(
                    new Text(entry.Date != last && index == 0 ? Day(entry.Date) : "", Bold), new Text(index == 0 ? entry.Kind : "", Faint), new Text(line, style));
            }

            last = entry.Date;
        }

        if (last is null)
        {
            AnsiConsole.WriteLine("Nothing is recorded of that.");
        }
        else
        {
            AnsiConsole.Write(timeline);
        }
    }

    private static Grid Header(CourseExplanation course)
    {
        TimeZoneInfo zone = course.Policy.Zone;
        Evaluation standing = course.Standing;
        Grid grid = new Grid().AddColumn(new GridColumn().NoWrap().Padding(0, 0, 2, 0)).AddColumn(new GridColumn().Padding(0, 0, 0, 0));
        Row("course", $"{course.Course.Id}", Bold);
        Row("patient", $"Patient/{course.Course.Patient}", Style.Plain);
        Row("treatment", $"{course.Course.Ingredient}, {course.Course.Area}", Style.Plain);
        Row("step", standing.Step is { } step ? $"{StepText.Of(step.Step)}, since {Day(step.Since)} (day {course.AsOfDate.DayNumber - step.Since.DayNumber})" : "none in force", Style.Plain);
        Row("outcome", Words.Of(standing), Bold);
        if (Words.MeaningOf(course.Mode) is { } mode)
        {
            Row("mode", $"{course.Mode.Code()}: {mode}", Bold);
        }

        foreach ((string text, int index) in course.Open.Select(Words.Of).DefaultIfEmpty("nothing").Select((t, i) => (t, i)))
        {
            Row(index == 0 ? "open" : "", text, Style.Plain);
        }

        Row("next look", standing.NextLook is { } next ? Words.Local(next, zone) : "with new facts", Style.Plain);
        Row("looked at", $"{Words.Local(standing.AsOf, zone)}, clinic time {zone.Id}", Faint);
        if (course.Decisions.Any(d => d.PolicyHash != course.Policy.Hash))
        {
            Row("note", $"Some decisions were made by another policy than the files at hand ({course.Policy.Hash[..12]}): they stand as recorded, and of them it is not said what would have changed them.", Style.Plain);
        }

        return grid;

        void Row(string name, string value, Style style) => grid.AddRow(new Text(name, Faint), new Text(value, style));
    }

    private static IEnumerable<Entry> Entries(CourseExplanation course)
    {
        if (course.Record is { } record)
        {
            foreach (StepPeriod step in record.Steps)
            {
                yield return StepBegins(course, step);
            }

            foreach (CheckInDay day in record.CheckIns)
            {
                yield return new Entry(day.Date, 1, "check-in", [(CheckIn(day, record), Style.Plain)]) { At = day.At };
            }

            foreach (FindingPeriod finding in record.Findings)
            {
                yield return new Entry(finding.Date, 2, "finding", [($"{finding.Code}, {(finding.ClearedOn is { } on ? $"until {Day(on)}" : "stands")} ({finding.Source.Reference})", Style.Plain)]) { At = finding.At };
            }

            foreach (EffectSaid effect in record.Effects)
            {
                yield return new Entry(effect.Date, 2, "effect", [($"{effect.Effect.Code()} ({effect.Source.Reference})", Style.Plain)]);
            }

            foreach (WithheldNights nights in record.Withheld)
            {
                yield return new Entry(nights.From, 3, "withheld", [($"from this night {(nights.Until is { } until ? $"to that before {Day(until)}" : "on")}", Style.Plain)]);
            }

            if (record.EndedOn is { } ended)
            {
                yield return new Entry(ended, 6, "end", [("the course ended", Style.Plain)]);
            }
        }

        foreach (ExplainedDecision decision in course.Decisions)
        {
            yield return new Entry(course.Date(decision.Evaluation.AsOf), 4, $"decision {decision.Number}", Lines(course, decision)) { At = decision.Evaluation.AsOf, Decisions = [decision.Id] };
        }

        foreach (ExplainedCommunication communication in course.Communications)
        {
            yield return new Entry(
                course.Date(communication.OpenedAt), 5, "message",
                [(Words.Of(communication), Style.Plain), ($"decision {course.Decision(communication.OpenedBy)?.Number}; {Words.FateOf(communication, course.Policy.Zone)}", Faint)])
            { At = communication.OpenedAt, Decisions = [communication.OpenedBy, .. communication.ClosedBy is { } closed ? [closed] : Array.Empty<Guid>()] };
        }
    }

    private static Entry StepBegins(CourseExplanation course, StepPeriod step)
    {
        List<(string, Style)> lines = [($"{StepText.Of(step.Step)} ({step.Order.Reference})", Bold)];
        ExplainedCommunication? proposal = course.ProposalOf(step);
        if (proposal is not null)
        {
            lines.Add(($"proposed by decision {course.Decision(proposal.OpenedBy)?.Number} on {Day(course.Date(proposal.OpenedAt))}, {proposal.Approved!.Text} {Words.Local(proposal.Approved.At!.Value, course.Policy.Zone)}", Style.Plain));
        }

        return new Entry(step.Since, 0, "step", lines) { Decisions = proposal is null ? [] : [proposal.OpenedBy] };
    }

    private static List<(string, Style)> Lines(CourseExplanation course, ExplainedDecision decision)
    {
        List<(string, Style)> lines = [(Words.Of(decision.Evaluation), Bold)];
        foreach (RuleResult reason in decision.Deciding)
        {
            lines.Add(($"{reason.Rule}: {reason.Text}{Citing(reason)}", Style.Plain));
        }

        if (decision.Others.Any())
        {
            lines.Add(($"spoke as well: {string.Join(", ", decision.Others.Select(r => $"{r.Rule} ({r.Outcome.Code()})"))}", Faint));
        }

        foreach (string text in decision.Otherwise?.Select(c => Words.Of(c, course.Policy.Zone)) ?? [])
        {
            lines.Add(($"otherwise: {text}", Faint));
        }

        lines.Add(($"{decision.Id}, {Words.Local(decision.Evaluation.AsOf, course.Policy.Zone)}", Faint));
        return lines;
    }

    private static string Citing(RuleResult reason) => reason.Evidence.IsEmpty ? "" : $" [{string.Join(", ", reason.Evidence.Select(e => e.Reference))}]";

    /// <summary>Each sign as a bar and its figure; a sign that nobody graded has a dash.</summary>
    private static string CheckIn(CheckInDay day, CourseRecord record)
    {
        const string Bars = "·▂▅█";
        IEnumerable<string> signs = Enum.GetValues<Sign>().Select(s => $"{Words.SignName(s)} {(day.Grades[(int)s] is { } grade ? $"{Bars[(int)grade]}{(int)grade}" : "–")}");
        IEnumerable<string> nights = record.Nights.Where(n => n.Date == day.Date && n.Until > n.From)
            .Select(n => string.Create(CultureInfo.InvariantCulture, $"  {n.Applied:0.##} of {n.Planned:0.##} applied"));
        return $"{string.Join("  ", signs)}{string.Concat(nights)}{(day.IsComplete ? "" : "  incomplete")}";
    }

    private static string Day(DateOnly date) => date.ToString("yyyy-MM-dd", CultureInfo.InvariantCulture);

    /// <summary>Something on the timeline.</summary>
    private sealed record Entry(DateOnly Date, int Order, string Kind, IReadOnlyList<(string Text, Style Style)> Lines)
    {
        /// <summary>Null: it stands first on its date.</summary>
        public DateTimeOffset? At { get; init; }

        /// <summary>The decisions that it belongs to.</summary>
        public IReadOnlyCollection<Guid> Decisions { get; init; } = [];
    }
}

/// <summary>What of a course was asked for: all of it, one clinic-local date, or one decision.</summary>
internal sealed record CourseQuestion(DateOnly? Date, Guid? Decision)
{
    public bool Includes(DateOnly date, IReadOnlyCollection<Guid> decisions) => (Date is null || Date == date) && (Decision is not { } id || decisions.Contains(id));
}
