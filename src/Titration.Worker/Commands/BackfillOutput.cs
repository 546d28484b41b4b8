using System.Collections.Immutable;
using System.Text.Json;
using Spectre.Console;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Worker.Reading;

namespace Titration.Worker.Commands;

/// <summary>What a backfill came to, or would.</summary>
internal static class BackfillOutput
{
    /// <summary>Of a long list so many are shown; <c>--json</c> has all.</summary>
    private const int Shown = 15;

    public static void WriteApplied(ReadingFigures figures, int patients, bool asJson)
    {
        if (asJson)
        {
            Console.WriteLine(JsonSerializer.Serialize(new { patients, read = Read(figures), unmapped = figures.Unmapped, unreadable = figures.Unreadable, unknownOwn = figures.UnknownOwn }, Records.Json));
            return;
        }

        WriteRead(figures);
        Console.WriteLine($"Taken in for {patients} patient(s).");
        WriteProblems(figures, "went to quarantine (`titration quarantine list`)");
    }

    public static void WritePreview(ReadingFigures figures, ImmutableArray<Evaluation> evaluations, bool asJson)
    {
        Evaluation[] followed = [.. evaluations.Where(e => e is { Course: not null, Outcome: not null, NotFollowed: null })];
        int notFollowed = evaluations.Where(e => e.NotFollowed is not null).Select(e => e.Patient).Distinct(StringComparer.Ordinal).Count();
        if (asJson)
        {
            var json = new
            {
                patients = followed.Select(e => e.Patient).Distinct(StringComparer.Ordinal).Count(),
                notFollowed,
                read = Read(figures),
                unmapped = figures.Unmapped,
                unreadable = figures.Unreadable,
                unknownOwn = figures.UnknownOwn,
                courses = evaluations.Select(e => new
                {
                    e.Patient,
                    ingredient = e.Course?.Ingredient,
                    area = e.Course?.Area,
                    followed = e.NotFollowed is null,
                    outcome = e.Outcome?.ToString(),
                    rule = e.Reasons.IsEmpty ? null : e.Reasons[0].Rule,
                    step = e.Step is { } step ? StepText.Of(step.Step) : null,
                    since = e.Step?.Since,
                    proposed = e.Proposed is { } proposed ? StepText.Of(proposed) : null,
                    communications = e.Communications.Select(c => new { kind = c.Kind.Code(), priority = c.Priority.Code(), audience = c.Audience.Code(), needsApproval = c.NeedsApproval }),
                }),
            };
            Console.WriteLine(JsonSerializer.Serialize(json, Records.Json));
            return;
        }

        WriteRead(figures);
        Console.WriteLine($"{followed.Select(e => e.Patient).Distinct(StringComparer.Ordinal).Count()} patient(s) would be followed, in {followed.Length} course(s).");
        if (notFollowed > 0)
        {
            Console.WriteLine($"{notFollowed} patient(s) would not be: no clinician has enrolled them (Titration:Clinic:Follow is enrolled). Only what is urgent speaks of them.");
        }

        Write("outcome today", "courses", [.. followed.GroupBy(e => e.Outcome!.Value).OrderBy(g => g.Key).Select(g => (g.Key.ToString(), g.Count()))]);
        Write(
            "would stand today", "communications",
            [.. evaluations.SelectMany(e => e.Communications).GroupBy(c => $"{c.Kind.Code()}, {c.Priority.Code()}, {(c.NeedsApproval ? "to a clinician for approval" : $"to the {c.Audience.Code()}")}", StringComparer.Ordinal).OrderByDescending(g => g.Count()).Select(g => (g.Key, g.Count()))]);
        WriteProblems(figures, "would go to quarantine");
        Console.WriteLine("Nothing was kept. Take it in with: titration backfill --apply");
    }

    private static object[] Read(ReadingFigures figures) => [.. figures.Types.Select(t => new { resourceType = t.Type, read = t.Read, relevant = t.Relevant })];

    private static void WriteRead(ReadingFigures figures)
    {
        Table table = new Table().Border(TableBorder.Simple).AddColumns("read", "resources", "of use here");
        foreach ((string type, int read, int relevant) in figures.Types)
        {
            table.AddRow($"{type}", $"{read}", $"{relevant}");
        }

        Records.Write(table);
    }

    private static void WriteProblems(ReadingFigures figures, string unreadable)
    {
        Write("no mapping knows", "times", [.. figures.Unmapped.Select(c => ($"{c.What} ({c.ResourceType})", c.Count))]);
        Write(unreadable, "resources", [.. figures.Unreadable.Select(c => ($"{c.What} ({c.ResourceType})", c.Count))]);
        if (figures.UnknownOwn > 0)
        {
            Console.WriteLine(
                $"{figures.UnknownOwn} Tasks and CommunicationRequests on the server come from a titration service whose records are not in this database: restore them, or see to it that somebody closes what is still open.");
        }
    }

    private static void Write(string what, string count, ImmutableArray<(string What, int Count)> rows)
    {
        if (rows.IsEmpty)
        {
            return;
        }

        Table table = new Table().Border(TableBorder.Simple).AddColumns(what, count);
        foreach ((string name, int number) in rows.Take(Shown))
        {
            table.AddRow(new Text(name), new Text($"{number}"));
        }

        if (rows.Length > Shown)
        {
            table.AddRow(new Text($"and {rows.Length - Shown} more (--json has all)"), new Text($"{rows.Skip(Shown).Sum(r => r.Count)}"));
        }

        Records.Write(table);
    }
}
