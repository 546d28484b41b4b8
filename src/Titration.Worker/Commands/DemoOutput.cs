using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Spectre.Console;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Sandbox.Clinic;
using Titration.Storage;
using Titration.Storage.Ledger;

namespace Titration.Worker.Commands;

/// <summary>Tells what the demo decided, and what stands on its FHIR server at the end.</summary>
internal static class DemoOutput
{
    public static async Task WriteDecisionsAsync(
        TitrationDbContext database, IReadOnlyList<PatientStory> stories, string? only, TimeZoneInfo zone, CancellationToken cancellationToken)
    {
        foreach (PatientStory story in stories.Where(s => only is null || s.Id == only))
        {
            Table table = new Table().Border(TableBorder.None).HideHeaders().AddColumns(
                new TableColumn("").NoWrap(), new TableColumn("").NoWrap(), new TableColumn(""));
            foreach (Evaluation evaluation in await TurnsAsync(database, story.Id, cancellationToken))
            {
                string date = ClinicZone.DateOf(evaluation.AsOf, zone).ToString("yyyy-MM-dd", null);
                string why = evaluation.Reasons.IsEmpty ? "" : $"{evaluation.Reasons[0].Rule}: {evaluation.Reasons[0].Text}";
                string what = evaluation.Proposed is { } proposed ? $"to {StepText.Of(proposed)}; {why}" : why;
                table.AddRow(new Text(date), new Text(evaluation.Outcome?.Code() ?? "ended", StyleOf(evaluation.Outcome)), new Text(what));
            }

            AnsiConsole.WriteLine();
            AnsiConsole.Write(Heading($"[bold]{Markup.Escape(story.Id)}[/] {Markup.Escape(story.Plot)}"));
            AnsiConsole.Write(table);
        }
    }

    public static async Task WriteCommunicationsAsync(HttpClient http, string? only, CancellationToken cancellationToken)
    {
        string json = await http.GetStringAsync(new Uri("fhir/CommunicationRequest?status=active,draft&_count=500", UriKind.Relative), cancellationToken);
        JsonNode[] open = [.. JsonNode.Parse(json)!["entry"]?.AsArray().Select(e => e!["resource"]!) ?? []];
        AnsiConsole.WriteLine();
        AnsiConsole.Write(Heading("[bold]Open on the FHIR server[/] at the end"));
        foreach (IGrouping<string, JsonNode> patient in open.Where(r => only is null || Text(r["subject"]!, "reference") == $"Patient/{only}")
            .GroupBy(r => Text(r["subject"]!, "reference"), StringComparer.Ordinal).OrderBy(g => g.Key, StringComparer.Ordinal))
        {
            AnsiConsole.MarkupLineInterpolated($"[bold]{patient.Key}[/]");
            Grid grid = new Grid().AddColumn(new GridColumn().NoWrap().Padding(2, 0, 2, 0)).AddColumn(new GridColumn().NoWrap().PadRight(2)).AddColumn();
            foreach (JsonNode request in patient.OrderBy(r => Text(r, "authoredOn"), StringComparer.Ordinal))
            {
                string to = Text(request["recipient"]![0]!, "reference").Split('/')[0] == "Patient" ? "patient" : "clinic";
                grid.AddRow(
                    new Text(Text(request, "authoredOn")[..10]),
                    new Text($"{Text(request, "status")}, {Text(request, "priority")}, to {to}"),
                    new Text(Shortened(Text(request["payload"]![0]!, "contentString"))));
            }

            AnsiConsole.Write(grid);
        }

    }

    internal static Rule Heading(string markup) => new(markup) { Justification = Justify.Left, Style = Style.Parse("grey") };

    /// <summary>
    /// The decisions at which the outcome or the proposed step turned. Requests answered within a day and those that only exchanged one
    /// request for the next are left out, or each week would take two lines.
    /// </summary>
    private static async Task<List<Evaluation>> TurnsAsync(TitrationDbContext database, string patient, CancellationToken cancellationToken)
    {
        List<ChainEntry> entries = await database.DecisionsOf(patient).ToListAsync(cancellationToken);
        Evaluation[] all = [.. entries.Select(e => StoredJson.ReadEvaluation(e.Content!.Content))];
        List<Evaluation> turns = [];
        for (int i = 0; i < all.Length; i++)
        {
            bool answeredAtOnce = all[i].Outcome == Outcome.AwaitCheckIn && i + 1 < all.Length && all[i + 1].AsOf - all[i].AsOf < TimeSpan.FromDays(1);
            if (!answeredAtOnce && (turns.Count == 0 || turns[^1].Outcome != all[i].Outcome || turns[^1].Proposed != all[i].Proposed))
            {
                turns.Add(all[i]);
            }
        }

        return turns;
    }

    private static string Text(JsonNode node, string member) => node[member]?.GetValue<string>() ?? "";

    private static string Shortened(string text) => text.Length <= 110 ? text : text[..text.LastIndexOf(' ', 107)] + " …";

    internal static Style StyleOf(Outcome? outcome) => outcome is not { } known ? new Style(Color.Grey) : known switch
    {
        Outcome.Discontinue => new Style(Color.Red, decoration: Decoration.Bold),
        Outcome.Withhold => new Style(Color.Red),
        Outcome.StepDown => new Style(Color.Olive),
        Outcome.RequestReview => new Style(Color.Purple),
        Outcome.AwaitCheckIn => new Style(Color.Blue),
        Outcome.Resume or Outcome.StepUp => new Style(Color.Green),
        Outcome.Maintain => Style.Plain,
    };
}
