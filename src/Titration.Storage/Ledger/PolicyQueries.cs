using Microsoft.EntityFrameworkCore;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>The adopted policies.</summary>
public static class PolicyQueries
{
    /// <summary>The policy in force at an instant: of those effective by then the one effective last, and of two the one adopted last.</summary>
    public static Task<PolicyRow?> PolicyInForceAsync(this TitrationDbContext database, DateTimeOffset at, CancellationToken cancellationToken) =>
        database.Policies.AsNoTracking().Where(p => p.EffectiveFrom <= at)
            .OrderByDescending(p => p.EffectiveFrom).ThenByDescending(p => p.AdoptedAt).FirstOrDefaultAsync(cancellationToken);
}
