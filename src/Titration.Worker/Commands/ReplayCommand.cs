using System.CommandLine;
using System.Text.Json;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Definitions;
using Titration.Storage;
using Titration.Worker.Access;
using Titration.Worker.Configuration;
using Titration.Worker.Replaying;

namespace Titration.Worker.Commands;

/// <summary><c>titration replay</c>: recorded decisions, evaluated again.</summary>
internal static class ReplayCommand
{
    public static Command Create()
    {
        Option<string?> protocol = new("--protocol") { Description = "Protocol file to evaluate by in place of the recorded one: shows which decisions would differ." };
        Option<string?> patient = new("--patient") { Description = "Only this patient's decisions, by the logical id on the FHIR server." };
        Option<bool> json = new("--json") { Description = "One JSON object." };
        Command command = new("replay", """
            Evaluates every recorded decision again. It does so from the facts that the decision knew, at its instant, by the protocol and the time zone it was made by, all from
            the database alone. The result must be the recorded one, byte for byte; exit code 1 where one is not.

            With --protocol it shows which decisions another protocol would have made otherwise, before a clinic adopts it. Each decision stands for itself:
            what would have followed from another one (other orders, other check-ins) is not played. Differences are then no error.

              titration replay
              titration replay --patient elm-5 --json
              titration replay --protocol my-protocol.json
            """)
        { protocol, patient, json };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, _) => RunAsync(database, parsed.GetValue(protocol), parsed.GetValue(patient), parsed.GetValue(json), cancellationToken), cancellationToken));
        return command;
    }

    private static async Task<int> RunAsync(TitrationDbContext database, string? file, string? patient, bool json, CancellationToken cancellationToken)
    {
        ProtocolDefinition? other = null;
        if (file is not null && (other = Read(file)) is null)
        {
            return ExitCode.Usage;
        }

        if (patient is not null && !await database.Patients.AnyAsync(p => p.Id == patient, cancellationToken))
        {
            return Records.Refuse($"--patient: no patient {patient} is in the record");
        }

        await using var snapshot = await database.BeginSnapshotAsync(cancellationToken);
        LedgerReplay replay = new(database, other);
        ReplayReport report = new() { Protocol = other is null ? null : $"{other.Name} {other.Version}" };
        await LongWork.RunAsync("decisions", await replay.CountAsync(patient, cancellationToken), async done =>
        {
            await foreach (ReplayedDecision decision in replay.RunAsync(patient, cancellationToken))
            {
                report.Add(decision);
                done(1);
            }
        });
        if (patient is null)
        {
            (report.ErasedPatients, report.ErasedDecisions) = await replay.CountErasedAsync(cancellationToken);
        }

        if (json)
        {
            Console.WriteLine(JsonSerializer.Serialize(report, Records.Json));
        }
        else
        {
            ReplayOutput.Write(report);
        }

        return report.NotReplayed == 0 && (other is not null || report.Different.Count == 0) ? ExitCode.Done : ExitCode.Found;
    }

    private static ProtocolDefinition? Read(string file)
    {
        try
        {
            ProtocolReading reading = ProtocolReading.Of(BoundedFile.Read(file, BoundedFile.PolicyBytes));
            foreach (ProtocolFileProblem problem in reading.Problems)
            {
                Console.Error.WriteLine($"titration: --protocol: {file}:{problem.Line}: {problem}");
            }

            return reading.Problems.IsEmpty ? reading.Protocol : null;
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            Console.Error.WriteLine($"titration: --protocol: cannot read \"{file}\": {problem.Message}");
            return null;
        }
    }
}
