using System.Collections.Immutable;
using Titration.Protocol.Doses;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Supply;

/// <summary>
/// What one order of a course lets the patient have. Nobody reports a dispensing, so the first fill counts from the order's date: an assumption,
/// and the record says so.
/// </summary>
/// <param name="On">Clinic-local date of the order.</param>
/// <param name="GramsPerFill">Grams of product in one dispensing; null where the order does not say.</param>
/// <param name="Fills">Dispensings allowed, the first one included; at least 1.</param>
/// <param name="Dosage">What its first stretch orders; null where the dosage cannot be taken as steps.</param>
/// <param name="Source">The version of the order that says so.</param>
internal sealed record OrderedSupply(DateOnly On, decimal? GramsPerFill, int Fills, DosagePhase? Dosage, ResourceVersion Source)
{
    /// <summary>More than any tube or course holds, so that no number somebody mistyped can overflow.</summary>
    private const decimal MostGrams = 1_000_000m;

    /// <summary>Grams with every repeat; 0 where the order does not say.</summary>
    public decimal GramsOfAllFills => (GramsPerFill ?? 0m) * Fills;

    /// <summary>The first fill in whole days as ordered; null where the order does not say.</summary>
    public Fill? FirstFill => GramsPerFill is { } grams && Dosage is { GramsPerApplication: > 0m } dosage
        ? new Fill(On, (int)DoseAmounts.DaysSupply(grams, dosage.GramsPerApplication, dosage.Frequency))
        : null;

    /// <summary>Of the orders that have been in force by now, in time order. One cancelled before any use gave nothing.</summary>
    public static ImmutableArray<OrderedSupply> Of(List<ImmutableArray<PrescriptionFact>> orders, AsOf asOf)
    {
        List<OrderedSupply> supply = [];
        foreach (ImmutableArray<PrescriptionFact> versions in orders)
        {
            DateTimeOffset authored = versions[0].AuthoredOn.StartIn(asOf.Zone);
            if (authored <= asOf.Instant
                && Known(versions, asOf) is { Status: not (PrescriptionStatus.NeverInForce or PrescriptionStatus.Removed) } order)
            {
                decimal? grams = order.GramsPerFill is { } given ? Math.Clamp(given, 0m, MostGrams) : null;
                DosagePhase? dosage = order.Phases.IsEmpty ? null : order.Phases[0];
                supply.Add(new OrderedSupply(versions[0].AuthoredOn.DateIn(asOf.Zone), grams, Math.Max(order.Fills, 1), dosage, order.Source));
            }
        }

        supply.Sort((a, b) => a.On != b.On ? a.On.CompareTo(b.On) : string.CompareOrdinal(a.Source.Id, b.Source.Id));
        return [.. supply];
    }

    /// <summary>The newest version recorded by now; the first counts from the order's own date.</summary>
    private static PrescriptionFact Known(ImmutableArray<PrescriptionFact> versions, AsOf asOf)
    {
        int newest = 0;
        while (newest + 1 < versions.Length && !(versions[newest + 1].Source.LastUpdated > asOf.Instant))
        {
            newest++;
        }

        return versions[newest];
    }
}
