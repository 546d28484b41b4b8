using System.Collections.Immutable;
using System.CommandLine;
using System.Text.Json;
using Spectre.Console;
using Titration.Worker.Checking;

namespace Titration.Worker.Commands;

/// <summary><c>titration check</c>.</summary>
internal static class CheckCommand
{
    private static readonly Option<bool> AsJson = new("--json") { Description = "The rows as JSON: subject, state (ok, warning, wrong, not checked), seen, remedy" };

    public static Command Create()
    {
        Command command = new("check", """
            Looks at every connection and every assumption of the settings in force, and changes nothing anywhere. Looked at are settings, time zone, protocol, mapping,
            wording, disk; broker, queue, exchange; database, schema, clock; FHIR server, its certificate, clock, token and scopes, and whether its
            CapabilityStatement has what the service needs. Below what is wrong stands what to do.

            Exit code 0: nothing is wrong (warnings may be); 1: something is.
            """)
        {
            AsJson,
        };
        command.SetAction((parsed, cancellationToken) => RunAsync(parsed.GetValue(AsJson), cancellationToken));
        return command;
    }

    private static async Task<int> RunAsync(bool asJson, CancellationToken cancellationToken)
    {
        List<string> problems = [];
        ImmutableArray<CheckRow> rows = CommandSettings.Find(problems) is { } settings
            ? await ConnectionCheck.RunAsync(settings, TimeProvider.System, cancellationToken)
            : ConnectionCheck.OfProblems(problems);
        if (asJson)
        {
            Console.WriteLine(JsonSerializer.Serialize(rows, Records.Json));
        }
        else
        {
            Write(rows);
        }

        return rows.Any(r => r.State == CheckState.Wrong) ? ExitCode.Found : ExitCode.Done;
    }

    private static void Write(ImmutableArray<CheckRow> rows)
    {
        Grid grid = new Grid().AddColumn(new GridColumn().NoWrap().Padding(2, 0, 2, 0)).AddColumn(new GridColumn().NoWrap()).AddColumn();
        foreach (CheckRow row in rows)
        {
            grid.AddRow(new Text(row.Subject), StateOf(row.State), new Text(row.Seen));
            if (row.Remedy is { } remedy)
            {
                grid.AddRow(Text.Empty, Text.Empty, new Text($"-> {remedy}"));
            }
        }

        Records.Write(grid);
        int wrong = rows.Count(r => r.State == CheckState.Wrong);
        int warnings = rows.Count(r => r.State == CheckState.Warning);
        int unseen = rows.Count(r => r.State == CheckState.NotChecked);
        Console.WriteLine($"{wrong} wrong, {warnings} to know about, {unseen} not checked.");
    }

    private static Text StateOf(CheckState state) => state switch
    {
        CheckState.Ok => new Text("ok", new Style(Color.Green)),
        CheckState.Warning => new Text("warning", new Style(Color.Yellow)),
        CheckState.Wrong => new Text("wrong", new Style(Color.Red)),
        CheckState.NotChecked => new Text("not checked", new Style(Color.Grey)),
    };
}
