using System.CommandLine;
using Microsoft.EntityFrameworkCore;
using Titration.Fhir.Writing;
using Titration.Storage;
using Titration.Worker.Configuration;
using Titration.Worker.Exporting;

namespace Titration.Worker.Commands;

/// <summary><c>titration ledger export</c>: the whole record for an auditor, who needs nothing of ours to verify it.</summary>
internal static class LedgerExportCommand
{
    public static Command Create()
    {
        Argument<string> folder = new("folder") { Description = "A new or empty folder. It will hold patients' data." };
        Command command = new("export", """
            Writes the whole record for an auditor: decisions, facts, policies and checkpoints as NDJSON with their salts and hashes, a FHIR Provenance for each
            decision, an AuditEvent for each write to the FHIR server, the public key, and a signed list of SHA-256 hashes. Whoever has it verifies it
            without this program: docs/auditors-guide.md says how.

              titration ledger export audit-2026
              cd audit-2026 && sha256sum --check SHA256SUMS
            """)
        { folder };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, settings) => ExportAsync(database, settings, parsed.GetValue(folder)!, cancellationToken), cancellationToken));
        return command;
    }

    private static async Task<int> ExportAsync(TitrationDbContext database, RecordSettings settings, string folder, CancellationToken cancellationToken)
    {
        List<string> problems = [];
        LedgerSettings ledger = LedgerSettings.From(settings.Options, problems);
        if (problems.Count > 0)
        {
            problems.ForEach(problem => Console.Error.WriteLine($"titration: {problem}"));
            return ExitCode.Usage;
        }

        if (Directory.Exists(folder) && Directory.EnumerateFileSystemEntries(folder).Any())
        {
            return Records.Refuse($"\"{folder}\" is not empty");
        }

        try
        {
            CreateForOwnerAlone(folder);
            TitrationOptions options = settings.Options;
            LedgerResources resources = new(
                options.Clinic.Organization, "Device/titration-service", options.EmbeddedFhirServer ? null : new Uri(options.FhirServer.BaseUrl));
            await using var snapshot = await database.BeginSnapshotAsync(cancellationToken);
            ExportFigures? figures = null;
            await LongWork.RunAsync("chains", await database.Chains.CountAsync(cancellationToken), async done =>
                figures = await new LedgerExport(database, folder, ledger.Key, resources).WriteAsync(TimeProvider.System.GetUtcNow(), done, cancellationToken));
            Console.WriteLine($"""
                {figures!.Decisions} decisions and {figures.Facts} facts in {figures.Chains} chains, {figures.Policies} policies, {figures.Checkpoints} checkpoints,
                {figures.Provenances} Provenances and {figures.AuditEvents} AuditEvents are in {folder}.
                {(ledger.Key is { } key ? $"The list of hashes is signed by key {key.Fingerprint}." : "Nothing is signed: set Titration__Ledger__KeyFile.")}
                The folder holds patients' data.
                """);
            return ExitCode.Done;
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            return Records.Refuse($"cannot write to \"{folder}\": {problem.Message}");
        }
    }

    private static void CreateForOwnerAlone(string folder)
    {
        if (OperatingSystem.IsWindows())
        {
            Directory.CreateDirectory(folder);
        }
        else
        {
            Directory.CreateDirectory(folder, UnixFileMode.UserRead | UnixFileMode.UserWrite | UnixFileMode.UserExecute);
        }
    }
}
