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
        Remarks = [.. observations.Where(o => o.SaysMore)];
        Prescriptions = prescriptions;
        Withdrawn = withdrawn;
        Patient = patient;
        Answers = answers;
        Tied = tied;
    }

    /// <summary>The reading in force of each observation that counts and was so by now, by time and then id.</summary>
    public ImmutableArray<Observed> Observations { get; }

    /// <summary>Those that say more than a check-in.</summary>
    public ImmutableArray<Observed> Remarks { get; }

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

    public static FactSelection Of(ImmutableArray<Fact> facts, AsOf asOf)
    {
        Versions<ObservationFact> observations = new(capacity: facts.Length);
        Versions<PrescriptionFact> prescriptions = new(capacity: 1);
        List<PatientFact> patients = [];
        List<AnswerFact> answers = [];
        foreach (Fact fact in facts)
        {
            switch (fact)
            {
                case ObservationFact observation:
                    observations.Add(observation);
                    break;
                case PrescriptionFact prescription:
                    prescriptions.Add(prescription);
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
        ImmutableArray<Observed> standing = Standing(observations, tied, asOf);
        ImmutableArray<ImmutableArray<PrescriptionFact>> histories = Histories(prescriptions, tied);
        tied.Sort((a, b) => string.CompareOrdinal(a.Type, b.Type) is not 0 and var byType ? byType : string.CompareOrdinal(a.Id, b.Id));
        return new FactSelection(
            standing, Replaced(histories.RemoveAll(IsRemoved), asOf.Zone), Withdrawals(histories), Newest(patients), NewestOfEach(answers), tied.DrainToImmutable());
    }

    private static bool IsRemoved(ImmutableArray<PrescriptionFact> history) => history[^1].Status == PrescriptionStatus.Removed;

    private static ImmutableArray<ImmutableArray<PrescriptionFact>> Withdrawals(ImmutableArray<ImmutableArray<PrescriptionFact>> histories)
    {
        ImmutableArray<ImmutableArray<PrescriptionFact>>.Builder withdrawn = ImmutableArray.CreateBuilder<ImmutableArray<PrescriptionFact>>(0);
        foreach (ImmutableArray<PrescriptionFact> history in histories)
        {
            if (IsRemoved(history) && history.Length > 1)
            {
                withdrawn.Add(history.SetItem(history.Length - 1, history[^1] with { Status = PrescriptionStatus.Ended }));
            }
        }

        return withdrawn.DrainToImmutable();
    }

    private static ImmutableArray<Observed> Standing(Versions<ObservationFact> versions, ImmutableArray<ResourceVersion>.Builder tied, AsOf asOf)
    {
        ImmutableArray<Observed>.Builder standing = ImmutableArray.CreateBuilder<Observed>(versions.OneOfEach.Count);
        bool inOrder = true;
        foreach (ObservationFact version in versions.OneOfEach)
        {
            ObservationFact reading = version;
            if (versions.AllOf(version) is { } all)
            {
                List<ObservationFact> newest = Versions<ObservationFact>.NewestOf(all);
                reading = newest.Count == 1 ? newest[0] : CautiousReading.Of(newest, asOf.Zone);
                if (newest.Count > 1)
                {
                    tied.Add(reading.Source);
                }
            }

            if (reading.Status == ObservationStatus.Counts && Observed.By(asOf, reading) is { } observed)
            {
                inOrder = inOrder && (standing.Count == 0 || ByTime(standing[^1], observed) < 0);
                standing.Add(observed);
            }
        }

        // Mostly they come in time order, and seeing that takes less than sorting.
        if (!inOrder)
        {
            standing.Sort(ByTime);
        }

        return standing.DrainToImmutable();
    }

    private static int ByTime(Observed a, Observed b)
    {
        int byTime = a.At.CompareTo(b.At);
        return byTime != 0 ? byTime : string.CompareOrdinal(a.Fact.Source.Id, b.Fact.Source.Id);
    }

    private static ImmutableArray<ImmutableArray<PrescriptionFact>> Histories(
        Versions<PrescriptionFact> prescriptions, ImmutableArray<ResourceVersion>.Builder tied)
    {
        List<PrescriptionFact> byId = [.. prescriptions.OneOfEach];
        byId.Sort((a, b) => string.CompareOrdinal(a.Source.Id, b.Source.Id));
        ImmutableArray<ImmutableArray<PrescriptionFact>>.Builder histories = ImmutableArray.CreateBuilder<ImmutableArray<PrescriptionFact>>(byId.Count);
        foreach (PrescriptionFact version in byId)
        {
            if (prescriptions.AllOf(version) is not { } versions)
            {
                histories.Add([version]);
                continue;
            }

            List<PrescriptionFact> newest = Versions<PrescriptionFact>.NewestOf(versions);
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

        return histories.DrainToImmutable();
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

    private static ImmutableArray<AnswerFact> NewestOfEach(List<AnswerFact> answers) => answers.Count == 0
        ? []
        : [.. answers.GroupBy(a => a.Source.Id, StringComparer.Ordinal).OrderBy(g => g.Key, StringComparer.Ordinal).Select(g => Newest([.. g])!)];

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
