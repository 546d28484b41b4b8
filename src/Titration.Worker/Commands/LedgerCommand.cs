using System.Collections.Immutable;
using System.CommandLine;
using System.Text.Json;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Worker.Configuration;

namespace Titration.Worker.Commands;

/// <summary><c>titration ledger</c>: proves that the record of decisions was not changed, and hands it to an auditor.</summary>
internal static class LedgerCommand
{
    public static Command Create() => new("ledger", "Verifies the record of decisions and hands it to auditors.") { Verify(), LedgerExportCommand.Create() };

    private static Command Verify()
    {
        Option<string?> checkpoints = new("--checkpoints") { Description = "Folder of exported checkpoints, such as a copy kept elsewhere; default: Titration__Ledger__CheckpointFolder." };
        Option<string[]> keys = new("--key") { Description = "PEM file of a public key that is trusted; may be given more than once. Default: the clinic's key and those beside the checkpoints." };
        Option<bool> json = new("--json") { Description = "One JSON object." };
        Command command = new("verify", """
            Finds any edit, deletion, insertion or another order of facts and decisions, and says where. It reads the database alone, whether or not the
            service runs, and holds it against the exported checkpoints: those also show what was cut off, removed as a whole, or computed anew.

              titration ledger verify
              titration ledger verify --checkpoints /mnt/vault/checkpoints --key clinic-public.pem

            Exit code 1 where something is wrong. What was added after the last exported checkpoint is checked against itself only.
            """)
        { checkpoints, keys, json };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, settings) => VerifyAsync(
                database, settings, parsed.GetValue(checkpoints), parsed.GetValue(keys) ?? [], parsed.GetValue(json), cancellationToken), cancellationToken));
        return command;
    }

    private static async Task<int> VerifyAsync(
        TitrationDbContext database, RecordSettings settings, string? folder, string[] keyFiles, bool json, CancellationToken cancellationToken)
    {
        if (folder is not null && !Directory.Exists(folder))
        {
            return Records.Refuse($"--checkpoints: there is no folder \"{folder}\"");
        }

        CheckpointFolder exported = folder is null ? LedgerSettings.FolderOf(settings.Options) : new CheckpointFolder(folder);
        List<string> problems = [];
        ImmutableArray<LedgerKey> keys = keyFiles.Length > 0
            ? [.. keyFiles.Select(file => LedgerSettings.Read(file, "--key", problems)).OfType<LedgerKey>()]
            : Trusted(settings, exported, problems);
        if (problems.Count > 0)
        {
            problems.ForEach(problem => Console.Error.WriteLine($"titration: {problem}"));
            return ExitCode.Usage;
        }

        LedgerReport report = new() { Folder = exported.Path, Keys = [.. keys.Select(k => k.Fingerprint).Distinct(StringComparer.Ordinal)] };
        await using var snapshot = await database.BeginSnapshotAsync(cancellationToken);
        await FindAsync(database, exported, keys, report, json ? _ => { } : finding => Console.WriteLine(LedgerText.Of(finding)), cancellationToken);
        if (json)
        {
            Console.WriteLine(JsonSerializer.Serialize(report, Records.Json));
        }
        else
        {
            LedgerText.Write(report);
        }

        return report.Findings.Count == 0 ? ExitCode.Done : ExitCode.Found;
    }

    private static ImmutableArray<LedgerKey> Trusted(RecordSettings settings, CheckpointFolder exported, List<string> problems)
    {
        LedgerKey? own = LedgerSettings.From(settings.Options, problems).Key;
        return [.. exported.ReadKeys().Concat(own is null ? [] : [own]).DistinctBy(k => k.Fingerprint, StringComparer.Ordinal)];
    }

    private static async Task FindAsync(
        TitrationDbContext database, CheckpointFolder exported, ImmutableArray<LedgerKey> keys, LedgerReport report, Action<LedgerFinding> say,
        CancellationToken cancellationToken)
    {
        await LongWork.RunAsync("chains", await database.Chains.CountAsync(cancellationToken), async done =>
        {
            await foreach (LedgerFinding finding in database.FindAllAsync(keys, exported, Verified, cancellationToken))
            {
                report.Findings.Add(finding);
                say(finding);
            }

            void Verified(ChainResult chain)
            {
                report.Chains++;
                report.Decisions += chain.Entries;
                report.Facts += chain.Facts;
                done(1);
            }
        });
        report.Checkpoints = await database.Checkpoints.CountAsync(cancellationToken);
        report.Unsigned = await database.Checkpoints.CountAsync(c => c.Signature == null, cancellationToken);
        IReadOnlyList<long> numbers = exported.Numbers();
        report.Exported = numbers.Count;
        long newest = numbers.Count == 0 ? 0 : numbers[^1];
        report.SealedUntil = await database.Checkpoints.Where(c => c.Id == newest).Select(c => (DateTimeOffset?)c.At).FirstOrDefaultAsync(cancellationToken);
    }
}
