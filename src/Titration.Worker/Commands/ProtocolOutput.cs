using System.Globalization;
using Spectre.Console;
using Titration.Protocol.Courses;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Worker.Commands;

/// <summary>A protocol drawn for people, within 80 columns.</summary>
internal static class ProtocolOutput
{
    private const int BarWidth = 12;

    public static void Write(IAnsiConsole console, ProtocolDefinition protocol)
    {
        console.MarkupLineInterpolated($"[bold]{protocol.Title}[/]");
        console.WriteLine($"{protocol.Name} {protocol.Version}, jurisdiction {protocol.Jurisdiction}");
        console.WriteLine($"A step takes effect with {ApprovalText(protocol.Approval)}.");
        DrawLadder(console, protocol, "Standard ladder", protocol.StandardLadder);
        DrawLadder(console, protocol, "Cautious ladder", protocol.CautiousLadder);
        Heading(console, "Gates and limits");
        console.Write(ProtocolNumbers.Grid(protocol));
        Heading(console, "Findings");
        console.Write(Findings(protocol));
        Heading(console, "Products");
        console.Write(Products(protocol));
        console.WriteLine();
        console.WriteLine($"Not together with: {string.Join("; ", protocol.OtherRetinoids.Select(o => o.Ingredient))}.");
        console.WriteLine($"With care: {string.Join("; ", protocol.InteractingTopicals.Select(o => o.Ingredient))}.");
        console.WriteLine("Proposals only: a clinician decides. Sources: the file, docs/protocol.md.");
    }

    private static void DrawLadder(IAnsiConsole console, ProtocolDefinition protocol, string name, Ladder ladder)
    {
        Heading(console, $"{name}: at least {ladder.MinimumDaysOnStep} full days on each step");
        console.Write(Rungs(ladder));
        console.WriteLine();
        console.Write(Milligrams(protocol, ladder));
    }

    /// <summary>The top step above, as on a ladder; the bar is grams a week.</summary>
    private static Table Rungs(Ladder ladder)
    {
        Table table = Plain();
        table.AddColumn(Right("step"));
        table.AddColumn(new TableColumn(new Text("")));
        foreach (string heading in (string[])["nights\na week", "g per\nnight", "g per\nweek", "not before\nday", "moist-\nuriser"])
        {
            table.AddColumn(Right(heading));
        }

        table.AddColumn(new TableColumn(new Text("")));
        decimal most = ladder.Steps.Max(WeeklyGrams);
        for (int i = ladder.Steps.Length - 1; i >= 0; i--)
        {
            LadderStep step = ladder.Steps[i];
            int bar = Math.Max(1, (int)decimal.Round(BarWidth * WeeklyGrams(step) / most));
            table.AddRow(
                Cell($"{i + 1}"), Cell(step.Name), Cell(Number(step.Frequency.NightsPerWeek, "0.##")),
                Cell(Number(step.GramsPerApplication, "0.###")), Cell(Number(WeeklyGrams(step), "0.###")), Cell($"{i * ladder.MinimumDaysOnStep}"), Cell(step.Barrier ? "yes" : "no"),
                new Text(new string('█', bar), new Style(Color.Green)));
        }

        return table;
    }

    /// <summary>Milligrams of active ingredient a week, a line for each strength.</summary>
    private static Table Milligrams(ProtocolDefinition protocol, Ladder ladder)
    {
        Table table = Plain();
        table.AddColumn(new TableColumn(new Text("mg of active ingredient a week")));
        for (int i = 0; i < ladder.Steps.Length; i++)
        {
            table.AddColumn(Right($"step {i + 1}"));
        }

        foreach (TitratedProduct product in protocol.Products)
        {
            foreach (decimal strength in product.StrengthsPercent)
            {
                table.AddRow([
                    Cell($"{product.Ingredient} {Number(strength, "0.####")} %"),
                    .. ladder.Steps.Select(s => Cell(Number(new Step(strength, s.Frequency, s.GramsPerApplication, s.Barrier).WeeklyActiveMilligrams, "0.000"))),
                ]);
            }
        }

        return table;
    }

    private static Table Findings(ProtocolDefinition protocol)
    {
        Table table = Plain();
        foreach (string heading in (string[])["finding", "effect", "looked at", "ended by"])
        {
            table.AddColumn(new TableColumn(new Text(heading)));
        }

        foreach (FindingRule rule in protocol.Findings)
        {
            Style style = rule.Priority switch
            {
                Protocol.Decisions.Priority.Stat => new Style(Color.Red, decoration: Decoration.Bold),
                Protocol.Decisions.Priority.Urgent => new Style(Color.Yellow),
                Protocol.Decisions.Priority.Routine => Style.Plain,
            };
            table.AddRow(
                Cell(rule.Finding.Code()), Cell(EffectText(rule.Effect)), new Text(rule.Priority.Code(), style), Cell(ClearedText(rule.ClearedBy)));
        }

        return table;
    }

    private static Table Products(ProtocolDefinition protocol)
    {
        Table table = Plain();
        table.AddColumn(new TableColumn(new Text("product")).NoWrap());
        table.AddColumn(new TableColumn(new Text("strengths, %")));
        table.AddColumn(Right("from\nage"));
        table.AddColumn(new TableColumn(new Text("pregnancy")));
        table.AddColumn(new TableColumn(new Text("irritation is worst")));
        JurisdictionProfile jurisdiction = protocol.Jurisdictions.First(j => j.Code == protocol.Jurisdiction);
        foreach (TitratedProduct product in protocol.Products)
        {
            table.AddRow(
                Cell(product.Ingredient), Cell(string.Join(" ", product.StrengthsPercent.Select(s => Number(s, "0.####")))), Cell($"{product.MinimumAgeYears}"),
                Cell(jurisdiction.ContraindicatedInPregnancy.Contains(product.Ingredient, StringComparer.Ordinal) ? "discontinue" : "review"), Cell(product.IrritationPeak));
        }

        return table;
    }

    private static void Heading(IAnsiConsole console, string text)
    {
        console.WriteLine();
        console.Write(new Rule($"[bold]{Markup.Escape(text)}[/]").LeftJustified());
    }

    private static Table Plain() => new Table().Border(TableBorder.None).Collapse();

    private static TableColumn Right(string heading) => new TableColumn(new Text(heading).RightJustified()).RightAligned().NoWrap();

    private static Text Cell(string text) => new(text);

    private static decimal WeeklyGrams(LadderStep step) => new Step(1, step.Frequency, step.GramsPerApplication, step.Barrier).WeeklyGrams;

    private static string Number(decimal value, string format) => value.ToString(format, CultureInfo.InvariantCulture);

    private static string ApprovalText(Approval approval) => approval switch
    {
        Approval.Prescription => "the approved task and a matching prescription",
        Approval.Task => "the approved task",
    };

    private static string EffectText(FindingEffect effect) => effect switch
    {
        FindingEffect.Discontinue => "discontinue",
        FindingEffect.ByJurisdiction => "by jurisdiction",
        FindingEffect.Withhold => "withhold",
        FindingEffect.Review => "review",
        FindingEffect.CautiousLadder => "cautious ladder",
    };

    private static string ClearedText(ClearedBy cleared) => cleared switch
    {
        ClearedBy.Clinician => "a clinician",
        ClearedBy.ClinicianDenial => "a clinician denying it",
        ClearedBy.Anyone => "anyone",
        ClearedBy.Denial => "anyone denying it",
    };
}
