namespace Titration.Protocol.Facts;

/// <summary>
/// How often the product is applied, kept as the fraction that was written: once every third night is 1 in 3 days and not 2.333 a week,
/// so that planned applications and the 70 % gate are exact.
/// </summary>
/// <param name="Applications">Applications in the period: above 0 of a step or an order, 0 where nothing was applied.</param>
/// <param name="PerDays">Length of the period in days, above 0.</param>
public readonly record struct Frequency(decimal Applications, decimal PerDays) : IComparable<Frequency>
{
    /// <summary>Applications per week, such as 3.5 for alternate nights.</summary>
    public decimal NightsPerWeek => 7m * Applications / PerDays;

    /// <summary>Applications planned in this many nights.</summary>
    public decimal PlannedIn(int nights) => nights == PerDays ? Applications : nights * Applications / PerDays;

    /// <summary>Orders by applications per day; 2 in 4 days equals 1 in 2.</summary>
    public int CompareTo(Frequency other) => (Applications * other.PerDays).CompareTo(other.Applications * PerDays);

    /// <summary>Equal rates are equal, however they were written.</summary>
    public bool Equals(Frequency other) => CompareTo(other) == 0;

    /// <inheritdoc/>
    public override int GetHashCode() => decimal.Round(NightsPerWeek, 6).GetHashCode();

    public static bool operator <(Frequency left, Frequency right) => left.CompareTo(right) < 0;

    public static bool operator >(Frequency left, Frequency right) => left.CompareTo(right) > 0;

    public static bool operator <=(Frequency left, Frequency right) => left.CompareTo(right) <= 0;

    public static bool operator >=(Frequency left, Frequency right) => left.CompareTo(right) >= 0;
}
