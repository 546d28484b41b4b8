using System.Collections.Immutable;
using System.Text.Encodings.Web;
using System.Text.Json;
using Spectre.Console;

namespace Titration.Benchmarks.Load;

/// <summary>What was measured, as a table and as JSON.</summary>
internal static class LoadReport
{
    private static readonly JsonSerializerOptions Json = new(JsonSerializerDefaults.Web) { WriteIndented = true, Encoder = JavaScriptEncoder.UnsafeRelaxedJsonEscaping };

    public static void Write(ImmutableArray<Figure> figures)
    {
        Table table = new Table().Border(TableBorder.Rounded).AddColumns("part", "what");
        foreach (string right in new[] { "median", "least", "most" })
        {
            table.AddColumn(new TableColumn(right).RightAligned());
        }

        table.AddColumns("unit", "budget");
        foreach (Figure figure in figures)
        {
            bool several = figure.Rounds.Length > 1;
            table.AddRow(
                figure.Part, Markup.Escape(figure.Name), Number(figure.Median), several ? Number(figure.Least) : "", several ? Number(figure.Most) : "", figure.Unit,
                Markup.Escape(figure.Note ?? ""));
        }

        if (Console.IsOutputRedirected)
        {
            AnsiConsole.Profile.Width = 200;
        }

        AnsiConsole.Write(table);
    }

    /// <summary>Writes the figures with each round's value, and what they were measured on.</summary>
    public static async Task SaveAsync(ImmutableArray<Figure> figures, string file, CancellationToken cancellationToken)
    {
        await using FileStream stream = File.Create(file);
        await JsonSerializer.SerializeAsync(
            stream,
            new
            {
                at = TimeProvider.System.GetUtcNow(),
                cores = Environment.ProcessorCount,
                runtime = System.Runtime.InteropServices.RuntimeInformation.FrameworkDescription,
                system = System.Runtime.InteropServices.RuntimeInformation.OSDescription,
                figures,
            },
            Json, cancellationToken);
    }

    private static string Number(double value) => value switch
    {
        >= 100 => value.ToString("N0"),
        >= 10 => value.ToString("N1"),
        >= 1 => value.ToString("N2"),
        _ => value.ToString("N3"),
    };
}
