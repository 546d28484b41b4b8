using System.CommandLine;
using System.Text;
using System.Text.Json;
using Microsoft.EntityFrameworkCore;
using Spectre.Console;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Intake;
using Titration.Storage.Model;

namespace Titration.Worker.Commands;

/// <summary><c>titration quarantine</c>: list, show, retry, discard.</summary>
internal static class QuarantineCommand
{
    public static Command Create() => new("quarantine", """
        Messages that could not be read. Each is kept with its bytes and the reason until it was read again, or for 90 days
        (Titration:Retention:QuarantineDays). Works on the database alone, beside the running service.
        """)
    { List(), Show(), Retry(), Discard() };

    private static Command List()
    {
        Option<bool> all = new("--all") { Description = "Also those that were read again, and those that were discarded." };
        Option<bool> json = new("--json") { Description = "For programs." };
        Command command = new("list", "Lists what is held, and what waits to be read again. No word of the messages' own content. The exit code is 1 where anything is held.") { all, json };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, _) => ListAsync(database, parsed.GetValue(all), parsed.GetValue(json), cancellationToken), cancellationToken));
        return command;
    }

    private static Command Show()
    {
        Argument<long> id = new("id") { Description = "From `quarantine list`." };
        Option<bool> raw = new("--raw") { Description = "The bytes exactly as they came, and nothing else." };
        Command command = new("show", "Shows one message: where it came from, what is wrong with it, and its content, which holds a patient's data.") { id, raw };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, _) => ShowAsync(database, parsed.GetValue(id), parsed.GetValue(raw), cancellationToken), cancellationToken));
        return command;
    }

    private static Command Retry()
    {
        Argument<long[]> ids = new("id") { Description = "From `quarantine list`.", Arity = ArgumentArity.ZeroOrMore };
        Option<bool> all = new("--all") { Description = "Everything that is held." };
        Command command = new("retry", """
            Has messages read again, for when their cause was removed: a mapping, a version of this service, a date that lay ahead. The running
            service does so within half a minute; what is still unreadable is held again, with the reason.
            """)
        { ids, all };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, _) => Records.EachAsync(
                parsed.GetValue(ids)!, parsed.GetValue(all),
                id => database.RequestRetryAsync(id, cancellationToken), () => database.RequestRetryOfAllAsync(cancellationToken),
                "to be read again by the running service", "is not held; `titration quarantine list --all` shows the states"),
            cancellationToken));
        return command;
    }

    private static Command Discard()
    {
        Argument<long> id = new("id") { Description = "From `quarantine list`." };
        Command command = new("discard", "Says that a message is of no use: it is no longer counted as held, also when it comes again.") { id };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, _) => Records.EachAsync(
                [parsed.GetValue(id)], all: false, one => database.DiscardAsync(one, cancellationToken), () => Task.FromResult(0),
                "discarded", "is not held; `titration quarantine list --all` shows the states"),
            cancellationToken));
        return command;
    }

    private static async Task<int> ListAsync(TitrationDbContext database, bool all, bool json, CancellationToken cancellationToken)
    {
        // Without the bytes: there may be many, and each may be long.
        var rows = await database.Quarantine.AsNoTracking()
            .Where(q => all || q.State == QuarantineState.Held || q.State == QuarantineState.RetryRequested).OrderBy(q => q.Id)
            .Select(q => new { q.Id, q.ReceivedAt, q.LastReceivedAt, q.Count, q.Source, q.State, q.Reason, q.Path, q.Problem }).ToListAsync(cancellationToken);
        int code = rows.Exists(r => r.State == QuarantineState.Held) ? ExitCode.Found : ExitCode.Done;
        if (json)
        {
            Console.WriteLine(JsonSerializer.Serialize(
                rows.Select(r => new { r.Id, r.ReceivedAt, r.LastReceivedAt, times = r.Count, r.Source, state = r.State.Code(), r.Reason, r.Path, r.Problem }), Records.Json));
            return code;
        }

        if (rows.Count == 0)
        {
            Console.WriteLine("Nothing is in quarantine.");
            return code;
        }

        Table table = new Table().Border(TableBorder.Simple).AddColumns(
            new TableColumn("id").RightAligned(), new TableColumn("first"), new TableColumn("last"), new TableColumn("times").RightAligned(),
            new TableColumn("source"), new TableColumn("state"), new TableColumn("reason"), new TableColumn("path"), new TableColumn("problem"));
        foreach (var row in rows)
        {
            table.AddRow(
                new Text($"{row.Id}"), new Text(Minute(row.ReceivedAt)), new Text(Minute(row.LastReceivedAt)), new Text($"{row.Count}"), new Text(row.Source),
                new Text(row.State.Code()), new Text(row.Reason), new Text(row.Path.Length == 0 ? "-" : row.Path), new Text(row.Problem));
        }

        Records.Write(table);
        return code;
    }

    private static async Task<int> ShowAsync(TitrationDbContext database, long id, bool raw, CancellationToken cancellationToken)
    {
        QuarantineRow? row = await database.Quarantine.AsNoTracking().FirstOrDefaultAsync(q => q.Id == id, cancellationToken);
        if (row is null)
        {
            Console.Error.WriteLine($"titration: {id} is not in quarantine; `titration quarantine list --all` shows what is");
            return ExitCode.Found;
        }

        if (raw)
        {
            await using Stream output = Console.OpenStandardOutput();
            await output.WriteAsync(row.Content, cancellationToken);
            return ExitCode.Done;
        }

        Console.WriteLine($"""
            id        {row.Id}
            state     {row.State.Code()}{(row.RetriedAt is { } at ? $", read again {Minute(at)}" : "")}
            received  {Minute(row.ReceivedAt)}, {row.Count} time(s), last {Minute(row.LastReceivedAt)}, from {row.Source}
            reason    {row.Reason}{(row.Path.Length == 0 ? "" : $" at {row.Path}")}
            problem   {row.Problem}
            content   {row.Content.Length} bytes, SHA-256 {Convert.ToHexStringLower(row.ContentHash)}

            {Printable(row.Content)}
            """);
        return ExitCode.Done;
    }

    /// <summary>Text for a terminal: what came from outside must not steer it.</summary>
    private static string Printable(byte[] content)
    {
        StringBuilder text = new(content.Length);
        foreach (Rune rune in Encoding.UTF8.GetString(content).EnumerateRunes())
        {
            bool isHarmless = rune.Value is '\n' or '\t' || !(Rune.IsControl(rune) || Rune.GetUnicodeCategory(rune) == System.Globalization.UnicodeCategory.Format);
            text.Append(isHarmless ? rune.ToString() : $"\\u{rune.Value:x4}");
        }

        return text.ToString();
    }

    private static string Minute(DateTimeOffset instant) => instant.ToString("yyyy-MM-dd HH:mm'Z'", null);
}
