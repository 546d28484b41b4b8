using Spectre.Console;
using Titration.Storage.Ledger;

namespace Titration.Worker.Commands;

/// <summary>A resource that this service wrote.</summary>
/// <param name="Resource"><c>Type/id</c> on the FHIR server.</param>
/// <param name="Kind">The communication's kind.</param>
/// <param name="Open">Whether it was still to be followed.</param>
internal sealed record ResourceOnServer(string Resource, string Kind, bool Open);

/// <summary>What <c>titration patient</c> says.</summary>
internal static class PatientOutput
{
    public static void Write(string patient, IReadOnlyList<ResourceOnServer> onServer)
    {
        ResourceOnServer[] open = [.. onServer.Where(r => r.Open)];
        Console.WriteLine($"On the FHIR server {onServer.Count} resource(s) that this service wrote remain; they are part of the clinic's record (CommunicationRequest?subject=Patient/{patient}).");
        if (open.Length > 0)
        {
            Console.WriteLine("Nobody looks after these any more that are still open; close or delete them there:");
            Table table = new Table().Border(TableBorder.Simple).AddColumns("resource", "of a");
            foreach (ResourceOnServer resource in open)
            {
                table.AddRow(new Text(resource.Resource), new Text(resource.Kind));
            }

            Records.Write(table);
        }
    }

    public static void Write(HeldOfPatient held, int? inErrorQueues)
    {
        Table table = new Table().Border(TableBorder.Simple).AddColumns(new TableColumn("what"), new TableColumn("number").RightAligned());
        foreach ((string what, int number) in new[]
        {
            ("facts", held.Facts), ("courses", held.Courses), ("decisions", held.Decisions), ("communications", held.Communications), ("outbox", held.Outbox),
            ("quarantine", held.Quarantine), ("waiting", held.Waiting),
        })
        {
            table.AddRow(new Text(what), new Text($"{number}"));
        }

        if (inErrorQueues is { } messages)
        {
            table.AddRow(new Text("error queues"), new Text($"{messages}"));
        }

        Records.Write(table);
        if (held.Shared > 0)
        {
            Console.WriteLine($"{held.Shared} of the messages in quarantine or waiting tell of other patients too and cannot be taken apart: have the others' part sent again.");
        }
    }
}
