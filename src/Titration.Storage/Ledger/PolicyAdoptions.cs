using System.Collections.Immutable;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>All that the clinic has adopted, and what follows from it.</summary>
/// <param name="rows">All adoptions there are, in any order.</param>
public sealed class PolicyAdoptions(IEnumerable<PolicyAdoptionRow> rows)
{
    /// <summary>In the order in which they come into force; of two for one instant the one adopted last is the last.</summary>
    public ImmutableArray<PolicyAdoptionRow> InOrder { get; } = [.. rows.OrderBy(r => r.EffectiveFrom).ThenBy(r => r.AdoptedAt).ThenBy(r => r.Id)];

    /// <summary>The adoption in force at an instant: of those effective by then the one effective last. Null: none yet.</summary>
    public PolicyAdoptionRow? InForce(DateTimeOffset at) => InOrder.LastOrDefault(r => r.EffectiveFrom <= at);

    /// <summary>The next adoption that comes into force after an instant. Null: none.</summary>
    public PolicyAdoptionRow? Next(DateTimeOffset at) => InOrder.FirstOrDefault(r => r.EffectiveFrom > at);

    /// <summary>Whether nothing was ever adopted, or this policy is in force.</summary>
    public bool MayDecideBy(string hash, DateTimeOffset at) => InOrder.IsEmpty || InForce(at)?.PolicyHash == hash;

    /// <summary>
    /// From when on the clinic decides by this policy: since it took the place of another one; null where it took no other's place, or is not in force.
    /// Adopting again what is in force changes nothing.
    /// </summary>
    /// <param name="hash">The policy.</param>
    /// <param name="at">What was adopted later, or is effective later, does not count.</param>
    public DateTimeOffset? SinceOf(string hash, DateTimeOffset at)
    {
        DateTimeOffset? since = null;
        string? before = null;
        foreach (PolicyAdoptionRow adoption in InOrder.Where(r => r.EffectiveFrom <= at && r.AdoptedAt <= at))
        {
            since = before is not null && adoption.PolicyHash != before ? adoption.EffectiveFrom : since;
            before = adoption.PolicyHash;
        }

        return before == hash ? since : null;
    }
}
