using System.CommandLine;
using System.Text.Json;
using Microsoft.EntityFrameworkCore;
using Spectre.Console;
using Titration.Fhir.Writing;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Model;

namespace Titration.Worker.Commands;

/// <summary><c>titration outbox</c>: list, retry.</summary>
internal static class OutboxCommand
{
    public static Command Create() => new("outbox", """
        What the FHIR server refused for good. Each such dead letter holds back what depends on it, and nothing else. Works on the database
        alone, beside the running service.
        """)
    { List(), Retry() };

    private static Command List()
    {
        Option<bool> json = new("--json") { Description = "For programs." };
        Command command = new("list", "Lists the dead letters. The identifier is that of the CommunicationRequest on the FHIR server, where it got there; no patient is named. The exit code is 1 where there is any.") { json };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync((database, _) => ListAsync(database, parsed.GetValue(json), cancellationToken), cancellationToken));
        return command;
    }

    private static Command Retry()
    {
        Argument<long[]> ids = new("id") { Description = "From `outbox list`.", Arity = ArgumentArity.ZeroOrMore };
        Option<bool> all = new("--all") { Description = "Every dead letter." };
        Command command = new("retry", "Puts dead letters back into their places, once the cause was removed. The running service sends them within seconds.") { ids, all };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, _) => Records.EachAsync(
                parsed.GetValue(ids)!, parsed.GetValue(all),
                id => database.ReviveAsync(id, cancellationToken), () => database.ReviveAllAsync(cancellationToken),
                "to be sent again by the running service", "is no dead letter; `titration outbox list` shows what is"),
            cancellationToken));
        return command;
    }

    private static async Task<int> ListAsync(TitrationDbContext database, bool json, CancellationToken cancellationToken)
    {
        List<OutboxRow> dead = await database.Outbox.Dead().ToListAsync(cancellationToken);
        if (json)
        {
            Console.WriteLine(JsonSerializer.Serialize(
                dead.Select(o => new
                {
                    o.Id,
                    since = o.CreatedAt,
                    action = o.Action.Code(),
                    kind = o.Kind.Code(),
                    identifier = IdentifierOf(o),
                    o.Attempts,
                    o.Problem,
                }),
                Records.Json));
        }
        else if (dead.Count == 0)
        {
            Console.WriteLine("The outbox has no dead letters.");
        }
        else
        {
            Table table = new Table().Border(TableBorder.Simple).AddColumns(
                new TableColumn("id").RightAligned(), new TableColumn("since"), new TableColumn("what"), new TableColumn("kind"),
                new TableColumn("attempts").RightAligned(), new TableColumn("problem"), new TableColumn("identifier"));
            foreach (OutboxRow entry in dead)
            {
                table.AddRow(
                    new Text($"{entry.Id}"), new Text(entry.CreatedAt.ToString("yyyy-MM-dd HH:mm'Z'", null)), new Text(entry.Action.Code()), new Text(entry.Kind.Code()),
                    new Text($"{entry.Attempts}"), new Text(entry.Problem ?? ""), new Text($"{IdentifierOf(entry)}"));
            }

            Records.Write(table);
        }

        return dead.Count == 0 ? ExitCode.Done : ExitCode.Found;
    }

    private static Guid IdentifierOf(OutboxRow entry) => OutgoingResource.UuidOf(entry.CommunicationKey, OutgoingRole.CommunicationRequest);
}
