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

    /// <summary>Whether nothing was ever adopted, or this policy is in force.</summary>
    public static async Task<bool> MayDecideByAsync(this TitrationDbContext database, string hash, DateTimeOffset at, CancellationToken cancellationToken) =>
        (await database.PolicyInForceAsync(at, cancellationToken))?.PolicyHash is { } inForce
            ? inForce == hash
            : !await database.PolicyAdoptions.AnyAsync(cancellationToken);

    /// <summary>
    /// From when on the clinic decides by this policy: since it took the place of another one; null where it took no other's place, or was never adopted.
    /// Adopting again what is in force changes nothing.
    /// </summary>
    /// <param name="adoptions">All adoptions.</param>
    /// <param name="hash">The policy.</param>
    /// <param name="at">What was adopted later, or is effective later, does not count.</param>
    public static DateTimeOffset? SinceOf(IEnumerable<PolicyAdoptionRow> adoptions, string hash, DateTimeOffset at)
    {
        DateTimeOffset? since = null;
        string? before = null;
        foreach (PolicyAdoptionRow adoption in adoptions.Where(a => a.EffectiveFrom <= at && a.AdoptedAt <= at).OrderBy(a => a.EffectiveFrom).ThenBy(a => a.AdoptedAt).ThenBy(a => a.Id))
        {
            since = before is not null && adoption.PolicyHash != before ? adoption.EffectiveFrom : since;
            before = adoption.PolicyHash;
        }

        return before == hash ? since : null;
    }

    /// <summary>The adoption in force at an instant: of those effective by then the one effective last, and of two the one adopted last.</summary>
    public static Task<PolicyAdoptionRow?> PolicyInForceAsync(this TitrationDbContext database, DateTimeOffset at, CancellationToken cancellationToken) =>
        database.PolicyAdoptions.AsNoTracking().Where(p => p.EffectiveFrom <= at)
            .OrderByDescending(p => p.EffectiveFrom).ThenByDescending(p => p.AdoptedAt).ThenByDescending(p => p.Id).FirstOrDefaultAsync(cancellationToken);
}
