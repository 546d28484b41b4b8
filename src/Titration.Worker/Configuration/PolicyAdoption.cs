using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Worker.Configuration;

/// <summary>The clinic adopts a policy.</summary>
internal static class PolicyAdoption
{
    /// <summary>
    /// Records it. Where it changes whom the clinic follows, every patient is looked at when it comes into force: nobody may stay asked who is no longer
    /// followed, nor unasked who is. Otherwise a course is judged by it when its time comes.
    /// </summary>
    /// <param name="database">The database, in a fresh context.</param>
    /// <param name="policy">The policy; its content has been recorded.</param>
    /// <param name="before">The adoption that it takes the place of; null: none.</param>
    /// <param name="from">From when on decisions are made by it.</param>
    /// <param name="now">Now.</param>
    /// <param name="cancellationToken">Ends it before anything is recorded.</param>
    public static async Task AdoptAsync(
        TitrationDbContext database, ClinicPolicy policy, PolicyAdoptionRow? before, DateTimeOffset from, DateTimeOffset now, CancellationToken cancellationToken)
    {
        PolicyRow? replaced = before is null ? null : await database.Policies.AsNoTracking().FirstOrDefaultAsync(p => p.Hash == before.PolicyHash, cancellationToken);
        await using var transaction = await database.Database.BeginTransactionAsync(cancellationToken);
        await database.AdoptAsync(policy.Hash, from, now, cancellationToken);
        if (replaced is not null && RecordedPolicy.Of(replaced)?.Follow != policy.Follow)
        {
            await database.Patients.Where(p => p.NextLook == null || p.NextLook > from).ExecuteUpdateAsync(set => set.SetProperty(p => p.NextLook, from), cancellationToken);
        }

        await transaction.CommitAsync(cancellationToken);
    }
}
