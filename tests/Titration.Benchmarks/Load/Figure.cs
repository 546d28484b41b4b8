using System.Collections.Immutable;

namespace Titration.Benchmarks.Load;

/// <summary>One line of what was measured.</summary>
/// <param name="Part">Such as <c>inbound</c>.</param>
/// <param name="Name">What was measured.</param>
/// <param name="Unit">Such as <c>/s</c>, <c>ms</c>, <c>MB</c>.</param>
/// <param name="Rounds">Each round's value, in their order.</param>
/// <param name="Note">What it is to be compared with, or how it came about; null: nothing to say.</param>
internal sealed record Figure(string Part, string Name, string Unit, ImmutableArray<double> Rounds, string? Note = null)
{
    public Figure(string part, string name, string unit, double value, string? note = null)
        : this(part, name, unit, [value], note)
    {
    }

    public double Median => Quantile(Rounds, 0.5);

    public double Least => Rounds.Min();

    public double Most => Rounds.Max();

    /// <summary>The value below which this part of them lies: the nearest one that was measured; of an even number in the middle, the mean of both.</summary>
    public static double Quantile(IReadOnlyCollection<double> values, double part)
    {
        double[] sorted = [.. values.Order()];
        double rank = part * (sorted.Length - 1);
        return part == 0.5 ? (sorted[(int)Math.Floor(rank)] + sorted[(int)Math.Ceiling(rank)]) / 2 : sorted[(int)Math.Ceiling(rank)];
    }
}
