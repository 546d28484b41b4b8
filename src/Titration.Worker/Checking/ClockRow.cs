namespace Titration.Worker.Checking;

/// <summary>Two clocks side by side.</summary>
internal static class ClockRow
{
    private static readonly TimeSpan Bearable = TimeSpan.FromSeconds(5);

    /// <summary>Signed assertions live minutes, and the order of two events is told by their time.</summary>
    private static readonly TimeSpan Unbearable = TimeSpan.FromMinutes(1);

    /// <param name="subject">Whose clock.</param>
    /// <param name="there">What it showed.</param>
    /// <param name="before">Ours, before the question.</param>
    /// <param name="after">Ours, after the answer.</param>
    /// <param name="resolution">In what steps it tells the time.</param>
    public static CheckRow Of(string subject, DateTimeOffset there, DateTimeOffset before, DateTimeOffset after, TimeSpan resolution = default)
    {
        TimeSpan skew = there + resolution < before ? there + resolution - before : there > after ? there - after : TimeSpan.Zero;
        string seen = skew.Duration() < TimeSpan.FromSeconds(1) ? "as this machine's" : $"{skew.Duration().TotalSeconds:0} seconds {(skew > TimeSpan.Zero ? "ahead of" : "behind")} this machine's";
        const string Remedy = "Let both machines take their time from the same source (NTP).";
        return skew.Duration() > Unbearable ? CheckRow.Wrong(subject, seen, Remedy)
            : skew.Duration() > Bearable ? CheckRow.Warning(subject, seen, Remedy)
            : CheckRow.Ok(subject, seen);
    }
}
