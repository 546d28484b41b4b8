using Titration.Protocol.Facts;
using Titration.Storage.Ledger;

namespace Titration.Worker.Commands;

/// <summary>What a verification of the ledger came to.</summary>
internal sealed class LedgerReport
{
    public long Chains { get; set; }

    public long Decisions { get; set; }

    public long Facts { get; set; }

    public long Checkpoints { get; set; }

    /// <summary>Checkpoints in the database without a signature.</summary>
    public long Unsigned { get; set; }

    /// <summary>Exported checkpoints that the database was held against.</summary>
    public long Exported { get; set; }

    public required string Folder { get; init; }

    /// <summary>Until when an exported checkpoint seals the record; null: none does.</summary>
    public DateTimeOffset? SealedUntil { get; set; }

    /// <summary>Fingerprints of the keys that were trusted.</summary>
    public required IReadOnlyList<string> Keys { get; init; }

    public List<LedgerFinding> Findings { get; } = [];
}

/// <summary>Says what is wrong with the ledger, and where.</summary>
internal static class LedgerText
{
    /// <summary>One line.</summary>
    public static string Of(LedgerFinding finding)
    {
        string where = string.Join(
            ", ",
            new[]
            {
                finding.Patient is { } patient ? $"patient {patient}" : null,
                finding.Chain is { } chain ? $"chain {chain}" : null,
                finding.Checkpoint is { } checkpoint ? $"checkpoint {checkpoint}" : null,
                finding.Policy is { } policy ? $"policy {policy}" : null,
            }.OfType<string>());
        return $"WRONG  {where}: {What(finding.Problem, finding.Sequence)} ({finding.Problem.Code()})";
    }

    /// <summary>The figures, and in the end whether all is well.</summary>
    public static void Write(LedgerReport report)
    {
        Console.WriteLine($"{report.Decisions} decisions and {report.Facts} facts in {report.Chains} chains, {report.Checkpoints} checkpoints.");
        Console.WriteLine(report.Exported == 0
            ? $"No exported checkpoints in {report.Folder}: what was cut off, removed as a whole or computed anew cannot be seen without them."
            : $"Held against {report.Exported} exported checkpoints in {report.Folder}{(report.SealedUntil is { } at ? $", the last of {at:yyyy-MM-dd HH:mm:ss'Z'}" : "")}.");
        Console.WriteLine(report.Keys.Count == 0
            ? "Signatures were not checked: no key is known. Name the clinic's public key with --key."
            : $"Signatures are checked by {string.Join(", ", report.Keys.Select(k => $"key {k}"))}: compare it with the one that was written down.");
        if (report.Unsigned > 0)
        {
            Console.WriteLine($"{report.Unsigned} checkpoints are not signed: they prove nothing to whoever does not trust where they were kept.");
        }

        Console.WriteLine(report.Findings.Count == 0 ? "Nothing is wrong." : $"{report.Findings.Count} places are wrong.");
    }

    private static string What(LedgerProblem problem, long? sequence) => problem switch
    {
        LedgerProblem.EntryMissing => $"decision {sequence} is missing",
        LedgerProblem.PreviousHashDiffers => $"decision {sequence} does not follow the one before: one was removed, put in, or changed with its hash",
        LedgerProblem.HashDiffers => $"decision {sequence} was changed",
        LedgerProblem.ContentMissing => $"the content of decision {sequence} is missing, and no erasure says why",
        LedgerProblem.ContentDiffers => $"the content of decision {sequence} was changed",
        LedgerProblem.EndDiffers => $"the decisions end before {sequence}, and not where it is recorded that they end: some were removed or put there",
        LedgerProblem.KnownFactsDiffer => $"the facts that decision {sequence} knew are others now",
        LedgerProblem.ErasureUnsigned => $"the erasure at {sequence} is not signed with the clinic's key: the patient's record was removed by somebody else",
        LedgerProblem.FactMissing => $"fact {sequence} is missing",
        LedgerProblem.FactDiffers => $"fact {sequence} was changed, put in, or moved",
        LedgerProblem.FactEndDiffers => $"the facts end before {sequence}, and not where it is recorded that they end: some were removed or put there",
        LedgerProblem.ChainMissing => "the chain was removed as a whole",
        LedgerProblem.StrayRows => sequence is null ? "facts of nobody" : $"an entry or content at {sequence} that belongs to no chain",
        LedgerProblem.Unreadable => "a value that no version of this service writes",
        LedgerProblem.PolicyMissing => "its content is missing, and decisions were made by it",
        LedgerProblem.PolicyDiffers => "its content is not what its hash says",
        LedgerProblem.CheckpointMissing => "is not in the database",
        LedgerProblem.CheckpointDiffers => "its hash is not that of the ends it seals and of the checkpoint before",
        LedgerProblem.CheckpointUnsigned => "is not signed, and an earlier one is",
        LedgerProblem.SignatureInvalid => "its signature is by no trusted key, or over something else",
        LedgerProblem.SealedEndDiffers => $"decision {sequence} is not the one that was sealed: at or before it something was changed or removed",
        LedgerProblem.SealedFactsDiffer => $"fact {sequence} is not the one that was sealed: at or before it something was changed or removed",
        LedgerProblem.ExportedDiffers => "the one in the database is not the one that was exported",
        LedgerProblem.ExportedMissing => "its exported file is missing between others",
        LedgerProblem.ExportedBroken => "its exported file was changed, or does not follow the one before",
    };
}
