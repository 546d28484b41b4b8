using Spectre.Console;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Worker.Commands;

/// <summary>The clinic in figures, and what was checked.</summary>
internal static class DemoFigures
{
    private const int ExamplesShown = 5;

    public static void Write(DemoReplay replay, int patients, IReadOnlyDictionary<Outcome, int> decisions)
    {
        AnsiConsole.WriteLine();
        AnsiConsole.Write(DemoOutput.Heading($"[bold]{patients:N0} patients in figures[/]"));
        AnsiConsole.Write(new Columns(Decisions(decisions), Proposals(replay)) { Expand = false });
        AnsiConsole.Write(Communications(replay));
        AnsiConsole.Write(Messages(replay, patients));
        AnsiConsole.WriteLine();
        AnsiConsole.Write(DemoOutput.Heading("[bold]Checked[/] against the FHIR server's own history, version by version"));
        AnsiConsole.Write(Checks(replay));
        foreach (DemoViolation violation in replay.Violations.GroupBy(v => v.Check).SelectMany(g => g.Take(ExamplesShown)))
        {
            AnsiConsole.MarkupLineInterpolated($"  [red]{violation.At:yyyy-MM-dd HH:mm}[/] {violation.Patient}: {violation.What}");
        }
    }

    private static Table Decisions(IReadOnlyDictionary<Outcome, int> decisions)
    {
        Table table = New("Decisions", "");
        foreach (Outcome outcome in Enum.GetValues<Outcome>())
        {
            table.AddRow(new Text(outcome.Code(), DemoOutput.StyleOf(outcome)), Number(decisions.GetValueOrDefault(outcome)));
        }

        return table;
    }

    private static Table Proposals(DemoReplay replay)
    {
        Table table = New("Proposed steps", "up", "down", "resume");
        foreach (IGrouping<string, DemoMessage> state in replay.Messages.Where(m => m.IsProposal).GroupBy(StateOf, StringComparer.Ordinal)
            .OrderByDescending(g => g.Count()).ThenBy(g => g.Key, StringComparer.Ordinal))
        {
            table.AddRow([new Text(state.Key), .. ((string[])["step-up", "step-down", "resume"]).Select(t => Number(state.Count(m => m.Intent?.Template == t)))]);
        }

        return table;
    }

    // What became of a proposal, by its message and by its Task.
    private static string StateOf(DemoMessage message) => message switch
    {
        { ActiveFrom: not null } => "in force",
        { TaskStatus: "rejected" } => "declined",
        { Approved: true, IsOpen: true } => "approved, no order yet",
        { Approved: true } => "approved, withdrawn",
        { IsOpen: true } => "unanswered",
        _ => "withdrawn unanswered",
    };

    private static Table Communications(DemoReplay replay)
    {
        Table table = New("Communications", "issued", "done", "withdrawn", "open");
        foreach (IGrouping<string, DemoMessage> kind in replay.Messages.GroupBy(KindOf, StringComparer.Ordinal).OrderByDescending(g => g.Count()))
        {
            table.AddRow(
                new Text(kind.Key), Number(kind.Count()), Number(kind.Count(m => m.Status == "completed")),
                Number(kind.Count(m => m.Status is "revoked" or "entered-in-error")), Number(kind.Count(m => m.IsOpen)));
        }

        return table;
    }

    private static string KindOf(DemoMessage message) =>
        $"{(message.Intent?.Reminds is null ? message.Intent?.Kind.Code() ?? message.Category : "reminder")}{(message.IsProposal ? "" : message.ToPatient ? " to patient" : " to clinic")}";

    private static Table Messages(DemoReplay replay, int patients)
    {
        int[] each = [.. replay.Messages.Where(m => m is { ToPatient: true, ActiveFrom: not null }).GroupBy(m => m.Patient, StringComparer.Ordinal).Select(g => g.Count())];
        int[] all = [.. Enumerable.Repeat(0, Math.Max(0, patients - each.Length)).Concat(each).Order()];
        int mostInADay = replay.OfDays().Select(d => d.Count()).DefaultIfEmpty().Max();
        Table table = New("Messages to a patient", "median", "p95", "most", "most in a day, safety apart");
        table.AddRow(new Text("all days"), Number(Rank(all, 0.5)), Number(Rank(all, 0.95)), Number(all[^1]), Number(mostInADay));
        return table;
    }

    private static Table Checks(DemoReplay replay)
    {
        Table table = New("", "violations", "");
        table.Columns[2].Alignment = Justify.Left;
        foreach (DemoCheck check in Enum.GetValues<DemoCheck>())
        {
            int failed = replay.Violations.Count(v => v.Check == check);
            Style style = failed == 0 ? new Style(Color.Green) : new Style(Color.Red, decoration: Decoration.Bold);
            table.AddRow(new Text(failed == 0 ? "holds" : "fails", style), Number(failed), new Text(TextOf(check, replay)));
        }

        return table;
    }

    private static string TextOf(DemoCheck check, DemoReplay replay) => check switch
    {
        DemoCheck.TwoStepChanges => "No patient has two open step changes at any instant.",
        DemoCheck.WithoutGrounds => $"Nothing stands whose grounds are gone ({replay.Compared:N0} evaluations compared with the server).",
        DemoCheck.TwoMessagesADay => "At most one message a day to a patient, safety apart.",
        DemoCheck.TooEarly => "No step up is proposed before day 14 of the order.",
        DemoCheck.OnSilence => "No step up is proposed without a recent complete check-in.",
    };

    /// <summary>The smallest value that at least this share does not exceed.</summary>
    private static int Rank(int[] sorted, double share) => sorted[Math.Max(0, (int)Math.Ceiling(share * sorted.Length) - 1)];

    private static Table New(string first, params string[] numbers)
    {
        Table table = new Table().Border(TableBorder.Simple).AddColumn(new TableColumn(new Markup($"[bold]{first}[/]")).NoWrap());
        foreach (string number in numbers)
        {
            table.AddColumn(new TableColumn(new Markup($"[grey]{number}[/]")).RightAligned());
        }

        return table;
    }

    private static Text Number(int number) => new(number.ToString("N0", null), number == 0 ? new Style(Color.Grey) : Style.Plain);
}
