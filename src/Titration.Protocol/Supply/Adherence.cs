namespace Titration.Protocol.Supply;

/// <summary>One dispensing.</summary>
/// <param name="On">Clinic-local date.</param>
/// <param name="DaysSupply">Whole days that it lasts as ordered, 0 or more; of a tube an estimate.</param>
public readonly record struct Fill(DateOnly On, int DaysSupply);

/// <summary>Days out of the days of a period.</summary>
/// <param name="Days">Days covered, or days' supply dispensed; 0 or more.</param>
/// <param name="PeriodDays">Days in the period, 0 where it is empty.</param>
public readonly record struct DaysOfPeriod(int Days, int PeriodDays)
{
    /// <summary>The share: 0 to 1 of days covered, above 1 possible of days' supply; null of an empty period.</summary>
    public decimal? Ratio => PeriodDays > 0 ? (decimal)Days / PeriodDays : null;
}

/// <summary>Adherence as dispensings suggest it. What was picked up was not therefore applied: what a patient reports outranks it.</summary>
public static class Adherence
{
    /// <summary>PDC from which the PQA calls a patient adherent: 80 %.</summary>
    public const decimal AdherentFrom = 0.8m;

    /// <summary>
    /// Proportion of days covered (PQA specification): the period starts with the first fill in it, each day counts once, and a fill of the same
    /// drug that comes early begins when the one before is used up.
    /// </summary>
    /// <param name="fills">Dispensings of one drug, in any order; those outside the period do not count.</param>
    /// <param name="from">First day that may count.</param>
    /// <param name="until">First day after the period.</param>
    public static DaysOfPeriod ProportionOfDaysCovered(IEnumerable<Fill> fills, DateOnly from, DateOnly until)
    {
        List<Fill> counting = Within(fills, from, until);
        if (counting.Count == 0)
        {
            return default;
        }

        DateOnly start = counting[0].On;
        int covered = 0;
        int free = start.DayNumber;
        foreach (Fill fill in counting)
        {
            int first = Math.Max(fill.On.DayNumber, free);
            free = (int)Math.Min((long)first + fill.DaysSupply, until.DayNumber);
            covered += Math.Max(free - first, 0);
        }

        return new DaysOfPeriod(covered, until.DayNumber - start.DayNumber);
    }

    /// <summary>
    /// Medication possession ratio: days' supply dispensed in the period over its days, from the first fill in it on. Overlaps count twice and supply beyond
    /// the end counts in full, so that it may exceed 1: 240 days' supply in 180 days are 133 % (Raebel and others, Med Care 2013).
    /// </summary>
    /// <param name="fills">Dispensings of one drug, in any order; those outside the period do not count.</param>
    /// <param name="from">First day that may count.</param>
    /// <param name="until">First day after the period.</param>
    public static DaysOfPeriod MedicationPossession(IEnumerable<Fill> fills, DateOnly from, DateOnly until)
    {
        List<Fill> counting = Within(fills, from, until);
        return counting.Count == 0
            ? default
            : new DaysOfPeriod((int)Math.Min(counting.Sum(f => (long)f.DaysSupply), int.MaxValue), until.DayNumber - counting[0].On.DayNumber);
    }

    private static List<Fill> Within(IEnumerable<Fill> fills, DateOnly from, DateOnly until)
    {
        ArgumentNullException.ThrowIfNull(fills);
        List<Fill> within = [.. fills.Where(f => f.On >= from && f.On < until && f.DaysSupply > 0)];
        within.Sort((a, b) => a.On.CompareTo(b.On));
        return within;
    }
}
