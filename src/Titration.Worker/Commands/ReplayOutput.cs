using Spectre.Console;
using Titration.Worker.Replaying;

namespace Titration.Worker.Commands;

/// <summary>Shows what a replay came to.</summary>
internal static class ReplayOutput
{
    private const int MostRows = 50;

    public static void Write(ReplayReport report)
    {
        if (report.Different.Count > 0)
        {
            WriteDifferent(report);
        }

        foreach ((string problem, int count) in report.Problems)
        {
            Console.WriteLine($"{count} decisions could not be replayed: {problem}.");
        }

        if (report.ErasedPatients > 0)
        {
            Console.WriteLine($"{report.ErasedDecisions} decisions of {report.ErasedPatients} erased patients are left out: what they knew is gone.");
        }

        Console.WriteLine(report.Protocol is null
            ? $"{report.Decisions} decisions replayed: {report.Identical} identical, {report.Different.Count} different."
            : $"{report.Decisions} decisions evaluated by {report.Protocol}: {report.Identical + report.SameOutcome} with the same outcome and steps "
                + $"({report.SameOutcome} of them by other reasons or numbers), {report.Different.Count} different, of {report.Different.Select(d => d.Patient).Distinct(StringComparer.Ordinal).Count()} patients.");
    }

    private static void WriteDifferent(ReplayReport report)
    {
        Table table = new Table().Border(TableBorder.Simple).AddColumns(
            new TableColumn("patient").NoWrap(), new TableColumn("decided").NoWrap(), new TableColumn("course"), new TableColumn("recorded"), new TableColumn("now"),
            new TableColumn("because now"));
        foreach (DifferentDecision different in report.Different.Take(MostRows))
        {
            string why = different.Now.Rule is { } rule ? $"{rule}: {different.Now.Why}" : "";
            table.AddRow(
                new Text(different.Patient), new Text($"{different.DecidedAt:yyyy-MM-dd HH:mm'Z'}"), new Text(different.Course ?? "-"), new Text(different.Recorded.Text),
                new Text(different.Now.Text), new Text(report.Protocol is null ? $"{why} [{string.Join(", ", different.Members)}]" : why));
        }

        Records.Write(table);
        if (report.Different.Count > MostRows)
        {
            Console.WriteLine($"and {report.Different.Count - MostRows} more; --json lists all.");
        }

        Table kinds = new Table().Border(TableBorder.Simple).AddColumns(new TableColumn("difference"), new TableColumn("decisions").RightAligned());
        foreach ((string kind, int count) in report.Kinds.OrderByDescending(k => k.Value))
        {
            kinds.AddRow(new Text(kind), new Text($"{count}"));
        }

        Records.Write(kinds);
    }
}
