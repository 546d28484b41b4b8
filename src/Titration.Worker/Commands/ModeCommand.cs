using System.CommandLine;
using System.Text.Json;
using Microsoft.EntityFrameworkCore;
using Spectre.Console;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Model;

namespace Titration.Worker.Commands;

/// <summary><c>titration mode</c>: show, set.</summary>
internal static class ModeCommand
{
    public static Command Create() => new("mode", """
        What leaves for the FHIR server. Facts are taken in and decisions recorded in every mode.
          shadow  nothing leaves: to see what would be proposed
          live    everything
          paused  safety referrals and withdrawals only
        Works on the database alone, beside the running workers; they follow within seconds.
        """)
    { Show(), Set() };

    private static Command Show()
    {
        Option<bool> json = new("--json") { Description = "For programs." };
        Command command = new("show", "Shows the mode, and who chose which when.") { json };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, settings) => ShowAsync(database, settings.Options.Mode, parsed.GetValue(json), cancellationToken), cancellationToken));
        return command;
    }

    private static Command Set()
    {
        Argument<string> mode = new("mode") { Description = "shadow, live or paused." };
        mode.AcceptOnlyFromAmong([.. Enum.GetValues<OperatingMode>().Select(m => m.Code())]);
        Option<string?> by = new("--by") { Description = "Who chooses it; default: the account that runs this." };
        Option<string?> reason = new("--reason") { Description = "Why." };
        Command command = new("set", """
            Chooses the mode. It is recorded with who and when, and nothing of that can be changed later. Going live sends what stands then: what stood and went
            in shadow never leaves, and of step proposals so many a day as Titration:RampIn allows. What is being sent at this moment is finished.
            """)
        { mode, by, reason };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, _) => SetAsync(
                database, EnumCode.Parse<OperatingMode>(parsed.GetValue(mode)!)!.Value, parsed.GetValue(by) ?? Environment.UserName, parsed.GetValue(reason), cancellationToken),
            cancellationToken));
        return command;
    }

    private static async Task<int> ShowAsync(TitrationDbContext database, string initial, bool json, CancellationToken cancellationToken)
    {
        List<ModeChangeRow> changes = await database.ModeChanges.AsNoTracking().OrderBy(m => m.Id).ToListAsync(cancellationToken);
        if (json)
        {
            Console.WriteLine(JsonSerializer.Serialize(changes.Select(c => new { mode = c.Mode.Code(), c.At, c.By, c.Reason }), Records.Json));
        }
        else if (changes.Count == 0)
        {
            Console.WriteLine($"No mode was chosen yet; the first start of a worker chooses {initial} (Titration:Mode).");
        }
        else
        {
            Console.WriteLine($"The mode is {changes[^1].Mode.Code()}.");
            Table table = new Table().Border(TableBorder.Simple).AddColumns("since", "mode", "by", "reason");
            foreach (ModeChangeRow change in changes)
            {
                table.AddRow(new Text(change.At.ToString("yyyy-MM-dd HH:mm'Z'", null)), new Text(change.Mode.Code()), new Text(change.By), new Text(change.Reason ?? ""));
            }

            Records.Write(table);
        }

        return ExitCode.Done;
    }

    private static async Task<int> SetAsync(TitrationDbContext database, OperatingMode mode, string by, string? reason, CancellationToken cancellationToken)
    {
        if (string.IsNullOrWhiteSpace(by))
        {
            return Records.Refuse("--by is empty; say who chooses the mode");
        }

        await database.ChangeModeAsync(mode, by, reason, TimeProvider.System.GetUtcNow(), cancellationToken);
        Console.WriteLine($"The mode is {mode.Code()}.");
        return ExitCode.Done;
    }
}
