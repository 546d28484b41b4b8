using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Worker.Configuration;

namespace Titration.Worker.Commands;

/// <summary>The key that signs an erasure.</summary>
internal static class ErasureKey
{
    /// <summary>The clinic's ledger key, and what stands in the way of erasing with it; no key and no problem where the clinic has none.</summary>
    public static async Task<(LedgerKey? Key, string? Problem)> OfAsync(TitrationDbContext database, RecordSettings settings, CancellationToken cancellationToken)
    {
        List<string> problems = [];
        LedgerKey? key = LedgerSettings.From(settings.Options, problems).Key;
        if (problems.Count > 0)
        {
            return (null, problems[0]);
        }

        return key is null && await database.Checkpoints.AnyAsync(c => c.Signature != null, cancellationToken)
            ? (null, "signed checkpoints seal the record, and an erasure without a signature would count as a removal; set Titration__Ledger__KeyFile to the workers' key")
            : (key, null);
    }
}
