using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>The policies by which was decided, and which of them the clinic adopted.</summary>
public static class PolicyQueries
{
    /// <summary>Keeps a policy's content under its hash, once, for as long as decisions may be asked about. Any number of workers may do so at a time.</summary>
    /// <returns>Its hash.</returns>
    public static async Task<string> RecordPolicyAsync(
        this TitrationDbContext database, ImmutableArray<PolicyPart> parts, DateTimeOffset at, CancellationToken cancellationToken)
    {
        string hash = PolicyContent.HashOf(parts);
        if (!await database.Policies.AnyAsync(p => p.Hash == hash, cancellationToken))
        {
            await database.Database.ExecuteSqlAsync(
                $"INSERT INTO policy (hash, recorded_at, content) VALUES ({hash}, {database.Stored(at)}, {PolicyContent.Write(parts)}) ON CONFLICT (hash) DO NOTHING",
                cancellationToken);
        }

        return hash;
    }

    /// <summary>Records that the clinic adopts a recorded policy. Needs a fresh context.</summary>
    /// <param name="database">The database.</param>
    /// <param name="hash">The policy's hash.</param>
    /// <param name="effectiveFrom">From when on decisions are made by it.</param>
    /// <param name="at">Now.</param>
    /// <param name="cancellationToken">Ends it before anything is recorded.</param>
    public static async Task AdoptAsync(
        this TitrationDbContext database, string hash, DateTimeOffset effectiveFrom, DateTimeOffset at, CancellationToken cancellationToken)
    {
        database.PolicyAdoptions.Add(new PolicyAdoptionRow { PolicyHash = hash, EffectiveFrom = effectiveFrom, AdoptedAt = at });
        await database.SaveChangesAsync(cancellationToken);
    }

    /// <summary>All that the clinic has adopted: a row for each change of its policy, in years.</summary>
    public static async Task<PolicyAdoptions> AdoptedAsync(this TitrationDbContext database, CancellationToken cancellationToken) =>
        new(await database.PolicyAdoptions.AsNoTracking().ToListAsync(cancellationToken));
}
