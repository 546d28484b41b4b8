namespace Titration.Integration.Tests.Faults;

/// <summary>What stood on the server in the end, and how it came there.</summary>
/// <param name="Communications">A line for each: key, patient, kind, rule, status, priority, recipient.</param>
/// <param name="Others">A line for each Task, DetectedIssue and Flag that has an identifier: type, identifier, status.</param>
/// <param name="Written">By patient, the communications in the order in which they were written and changed; those that wait for nothing (stat) left out.</param>
internal sealed record CampaignResult(
    IReadOnlyList<string> Communications, IReadOnlyList<string> Others, IReadOnlyDictionary<string, IReadOnlyList<string>> Written)
{
    /// <summary>What differs from a run without faults, a line for each; empty: nothing lost, nothing doubled, all in order.</summary>
    /// <param name="faultless">The run without faults.</param>
    /// <param name="refused">
    /// Identifiers of communications that the server refused for good until somebody put them back: only what depends on them waited for them, so their own place is
    /// not compared.
    /// </param>
    public IReadOnlyList<string> DifferencesFrom(CampaignResult faultless, IReadOnlySet<string> refused) =>
    [
        .. Differences(Communications, faultless.Communications),
        .. Differences(Others, faultless.Others),
        .. faultless.Written.Keys.Union(Written.Keys, StringComparer.Ordinal).Order(StringComparer.Ordinal).SelectMany(p => OutOfOrder(p, faultless, refused)),
    ];

    private static IEnumerable<string> Differences(IReadOnlyList<string> here, IReadOnlyList<string> there)
    {
        Dictionary<string, int> counted = here.CountBy(line => line, StringComparer.Ordinal).ToDictionary();
        Dictionary<string, int> wanted = there.CountBy(line => line, StringComparer.Ordinal).ToDictionary();
        foreach (string line in counted.Keys.Union(wanted.Keys, StringComparer.Ordinal).Order(StringComparer.Ordinal))
        {
            int difference = counted.GetValueOrDefault(line) - wanted.GetValueOrDefault(line);
            if (difference != 0)
            {
                yield return $"{(difference < 0 ? "lost" : wanted.ContainsKey(line) ? "doubled" : "not without faults")}: {line}";
            }
        }
    }

    private IEnumerable<string> OutOfOrder(string patient, CampaignResult faultless, IReadOnlySet<string> refused)
    {
        string[] here = InOrder(Written), there = InOrder(faultless.Written);
        return here.SequenceEqual(there, StringComparer.Ordinal)
            ? []
            : [$"out of order: {patient}\n    with faults     {string.Join(", ", here)}\n    without faults  {string.Join(", ", there)}"];

        string[] InOrder(IReadOnlyDictionary<string, IReadOnlyList<string>> written) =>
            [.. written.GetValueOrDefault(patient, []).Where(w => !refused.Contains(w.Split(' ')[0]))];
    }
}
