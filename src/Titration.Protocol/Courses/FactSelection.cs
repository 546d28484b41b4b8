using System.Collections.Immutable;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>
/// The readings that stand of a patient's facts, whatever order they arrived in: of each observation its newest version, of each
/// prescription all its versions in time order (its status has a history), of the patient the newest.
/// </summary>
internal sealed class FactSelection
{
    private FactSelection(ImmutableArray<Observed> observations, ImmutableArray<ImmutableArray<PrescriptionFact>> prescriptions,
        ImmutableArray<ImmutableArray<PrescriptionFact>> withdrawn, PatientFact? patient, ImmutableArray<AnswerFact> answers, ImmutableArray<ResourceVersion> tied)
    {
        Observations = observations;
        Prescriptions = prescriptions;
        Withdrawn = withdrawn;
        Patient = patient;
        Answers = answers;
        Tied = tied;
    }

    /// <summary>The reading in force of each observation that counts, by time and then id.</summary>
    public ImmutableArray<Observed> Observations { get; }

    /// <summary>The versions of each prescription, oldest first; those entered in error are not here.</summary>
    public ImmutableArray<ImmutableArray<PrescriptionFact>> Prescriptions { get; }

    /// <summary>
    /// Prescriptions that were entered in error after they had been known, as ended when that was recorded: with nothing in their place, their
    /// course has ended.
    /// </summary>
    public ImmutableArray<ImmutableArray<PrescriptionFact>> Withdrawn { get; }

    public PatientFact? Patient { get; }

    /// <summary>The newest answer to each of our Tasks.</summary>
    public ImmutableArray<AnswerFact> Answers { get; }

    /// <summary>Resources whose newest version could not be told: their more cautious reading stands, and somebody has to look.</summary>
    public ImmutableArray<ResourceVersion> Tied { get; }

    public static FactSelection Of(ImmutableArray<Fact> facts, TimeZoneInfo zone)
    {
        Dictionary<string, List<ObservationFact>> observations = new(StringComparer.Ordinal);
        Dictionary<string, List<PrescriptionFact>> prescriptions = new(StringComparer.Ordinal);
        List<PatientFact> patients = [];
        List<AnswerFact> answers = [];
        foreach (Fact fact in facts)
        {
            switch (fact)
            {
                case ObservationFact observation:
                    AddOnce(observations, observation);
                    break;
                case PrescriptionFact prescription:
                    AddOnce(prescriptions, prescription);
                    break;
                case PatientFact patient:
                    patients.Add(patient);
                    break;
                case AnswerFact answer:
                    answers.Add(answer);
                    break;
            }
        }

        ImmutableArray<ResourceVersion>.Builder tied = ImmutableArray.CreateBuilder<ResourceVersion>();
        ImmutableArray<Observed> standing = Standing(observations, tied, zone);
        ImmutableArray<ImmutableArray<PrescriptionFact>> histories = Histories(prescriptions, tied);
        return new FactSelection(
            standing,
            Replaced([.. histories.Where(h => h[^1].Status != PrescriptionStatus.Removed)], zone),
            [
                .. histories.Where(h => h[^1].Status == PrescriptionStatus.Removed && h.Length > 1)
                    .Select(h => h.SetItem(h.Length - 1, h[^1] with { Status = PrescriptionStatus.Ended })),
            ],
            Newest(patients),
            [.. answers.GroupBy(a => a.Source.Id, StringComparer.Ordinal).OrderBy(g => g.Key, StringComparer.Ordinal).Select(g => Newest([.. g])!)],
            [.. tied.OrderBy(t => t.Type, StringComparer.Ordinal).ThenBy(t => t.Id, StringComparer.Ordinal)]);
    }

    /// <summary>The observations that were so by then, oldest first.</summary>
    public List<Observed> ObservedBy(DateTimeOffset instant)
    {
        List<Observed> known = new(Observations.Length);
        foreach (Observed observation in Observations)
        {
            if (observation.At <= instant)
            {
                known.Add(observation);
            }
        }

        return known;
    }

    private static void AddOnce<T>(Dictionary<string, List<T>> byId, T fact) where T : Fact
    {
        if (!byId.TryGetValue(fact.Source.Id, out List<T>? versions))
        {
            byId.Add(fact.Source.Id, [fact]);
            return;
        }

        foreach (T known in versions)
        {
            if (known.Source.ContentHash == fact.Source.ContentHash)
            {
                return;
            }
        }

        versions.Add(fact);
    }

    private static ImmutableArray<Observed> Standing(
        Dictionary<string, List<ObservationFact>> byId, ImmutableArray<ResourceVersion>.Builder tied, TimeZoneInfo zone)
    {
        ImmutableArray<Observed>.Builder standing = ImmutableArray.CreateBuilder<Observed>(byId.Count);
        foreach (List<ObservationFact> versions in byId.Values)
        {
            List<ObservationFact> newest = NewestOf(versions);
            ObservationFact reading = newest.Count == 1 ? newest[0] : CautiousReading.Of(newest, zone);
            if (newest.Count > 1)
            {
                tied.Add(reading.Source);
            }

            if (reading.Status == ObservationStatus.Counts)
            {
                standing.Add(Observed.Of(reading, zone));
            }
        }

        standing.Sort((a, b) =>
        {
            int byTime = a.At.CompareTo(b.At);
            return byTime != 0 ? byTime : string.CompareOrdinal(a.Fact.Source.Id, b.Fact.Source.Id);
        });
        return standing.DrainToImmutable();
    }

    private static ImmutableArray<ImmutableArray<PrescriptionFact>> Histories(
        Dictionary<string, List<PrescriptionFact>> byId, ImmutableArray<ResourceVersion>.Builder tied)
    {
        ImmutableArray<ImmutableArray<PrescriptionFact>>.Builder histories = ImmutableArray.CreateBuilder<ImmutableArray<PrescriptionFact>>();
        foreach (List<PrescriptionFact> versions in byId.Values.OrderBy(v => v[0].Source.Id, StringComparer.Ordinal))
        {
            List<PrescriptionFact> newest = NewestOf(versions);
            PrescriptionFact last = newest.Count == 1 ? newest[0] : CautiousReading.Of(newest);
            if (newest.Count > 1)
            {
                tied.Add(last.Source);
            }

            histories.Add(
            [
                .. versions.Where(v => !newest.Contains(v) && v.Status != PrescriptionStatus.Removed)
                    .OrderBy(v => v.Source.LastUpdated).ThenBy(v => v.Source.ContentHash, StringComparer.Ordinal),
                last,
            ]);
        }

        return histories.ToImmutable();
    }

    /// <summary>An order of another ingredient that names this one as its prior prescription ends it, whatever its own status says.</summary>
    private static ImmutableArray<ImmutableArray<PrescriptionFact>> Replaced(ImmutableArray<ImmutableArray<PrescriptionFact>> histories, TimeZoneInfo zone)
    {
        Dictionary<string, PrescriptionFact> successors = new(StringComparer.Ordinal);
        foreach (ImmutableArray<PrescriptionFact> history in histories)
        {
            if (history[^1] is { PriorPrescription: { } prior, Status: not PrescriptionStatus.NeverInForce, Product.Role: ProductRole.Titrated } successor)
            {
                successors[prior] = successor;
            }
        }

        return successors.Count == 0 ? histories : [.. histories.Select(h => EndedBy(h, successors, zone))];
    }

    private static ImmutableArray<PrescriptionFact> EndedBy(
        ImmutableArray<PrescriptionFact> history, Dictionary<string, PrescriptionFact> successors, TimeZoneInfo zone)
    {
        PrescriptionFact last = history[^1];
        if (last.Status >= PrescriptionStatus.Ended || !successors.TryGetValue(last.Source.Id, out PrescriptionFact? successor)
            || successor.Product.Ingredient == last.Product.Ingredient)
        {
            return history;
        }

        DateTimeOffset at = successor.AuthoredOn.StartIn(zone);
        return history.Add(last with { Status = PrescriptionStatus.Ended, Source = last.Source with { LastUpdated = at } });
    }

    /// <summary>
    /// One version, or the several among which the newest cannot be told: <c>meta.lastUpdated</c> missing or tied, or one
    /// version id with two contents.
    /// </summary>
    private static List<T> NewestOf<T>(List<T> versions) where T : Fact
    {
        if (versions.Count == 1)
        {
            return versions;
        }

        versions.Sort((a, b) => string.CompareOrdinal(a.Source.ContentHash, b.Source.ContentHash));
        if (versions.Exists(v => v.Source.LastUpdated is null))
        {
            return versions;
        }

        DateTimeOffset latest = versions.Max(v => v.Source.LastUpdated!.Value);
        List<T> newest = versions.FindAll(v => v.Source.LastUpdated == latest);
        string? versionId = newest[0].Source.VersionId;
        return versionId is null || newest.Count > 1 ? newest : versions.FindAll(v => v.Source.VersionId == versionId);
    }

    private static T? Newest<T>(List<T> versions) where T : Fact
    {
        T? newest = null;
        foreach (T version in versions)
        {
            if (newest is null || Compare(version.Source, newest.Source) > 0)
            {
                newest = version;
            }
        }

        return newest;

        static int Compare(ResourceVersion a, ResourceVersion b)
        {
            int byTime = Nullable.Compare(a.LastUpdated, b.LastUpdated);
            return byTime != 0 ? byTime : string.CompareOrdinal(a.ContentHash, b.ContentHash);
        }
    }
}
