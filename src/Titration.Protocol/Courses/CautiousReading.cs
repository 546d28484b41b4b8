using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>One reading of several contents that cannot be ordered: what is bad in any of them, what is good only if all say it.</summary>
internal static class CautiousReading
{
    public static ObservationFact Of(List<ObservationFact> readings, TimeZoneInfo zone)
    {
        List<ObservationFact> counting = readings.FindAll(r => r.Status == ObservationStatus.Counts);
        if (counting.Count == 0)
        {
            return readings[0];
        }

        // Where one of the contents is a withdrawal, nothing reassuring is left: only bad grades and findings.
        bool disputed = counting.Count < readings.Count;
        ObservationFact latest = counting.MaxBy(r => r.Effective.StartIn(zone))!;
        return latest with { Statements = [.. Grades(counting, disputed), .. Nights(counting, disputed), .. Others(counting, disputed)] };
    }

    /// <summary>The least treatment that any of them allows: ended, then on hold, then the lower weekly dose.</summary>
    public static PrescriptionFact Of(List<PrescriptionFact> readings)
    {
        List<PrescriptionFact> written = readings.FindAll(r => r.Status != PrescriptionStatus.Removed);
        if (written.Count == 0)
        {
            return readings[0];
        }

        PrescriptionFact least = written
            .OrderByDescending(r => (int)r.Status)
            .ThenBy(r => r.Phases.IsEmpty ? 0m : r.Phases.Max(p => p.Frequency.NightsPerWeek * p.GramsPerApplication))
            .ThenBy(r => r.Source.ContentHash, StringComparer.Ordinal)
            .First();
        return written.Count < readings.Count && least.Status < PrescriptionStatus.Ended ? least with { Status = PrescriptionStatus.Ended } : least;
    }

    private static IEnumerable<Statement> Grades(List<ObservationFact> readings, bool disputed)
    {
        IEnumerable<IGrouping<Sign, Statement.Graded>> bySign = readings.SelectMany(r => r.Statements.OfType<Statement.Graded>()).GroupBy(g => g.Sign);
        foreach (IGrouping<Sign, Statement.Graded> sign in bySign)
        {
            Statement.Graded worst = sign.MaxBy(g => g.Grade)!;
            bool inAll = readings.TrueForAll(r => r.Statements.Any(s => s is Statement.Graded graded && graded.Sign == sign.Key));
            if (worst.Grade >= Grade.Moderate || (inAll && !disputed))
            {
                yield return worst;
            }
        }
    }

    private static IEnumerable<Statement> Nights(List<ObservationFact> readings, bool disputed)
    {
        if (disputed)
        {
            yield break;
        }

        List<Statement.NightsApplied> applied = [.. readings.SelectMany(r => r.Statements.OfType<Statement.NightsApplied>())];
        List<Statement.ApplicationsMissed> missed = [.. readings.SelectMany(r => r.Statements.OfType<Statement.ApplicationsMissed>())];
        if (applied.Count == readings.Count)
        {
            yield return applied.MinBy(a => a.Nights)!;
        }
        else if (missed.Count == readings.Count)
        {
            yield return missed.MaxBy(m => m.Applications)!;
        }
    }

    private static IEnumerable<Statement> Others(List<ObservationFact> readings, bool disputed)
    {
        foreach (Statement statement in readings.SelectMany(r => r.Statements).Distinct())
        {
            bool reassuring = statement is Statement.Recovered { Yes: true } or Statement.FindingReported { Present: false } or Statement.EffectSeen;
            bool inAll = !disputed && readings.TrueForAll(r => r.Statements.Contains(statement));
            if (statement is not (Statement.Graded or Statement.NightsApplied or Statement.ApplicationsMissed) && (!reassuring || inAll))
            {
                yield return statement;
            }
        }
    }
}
