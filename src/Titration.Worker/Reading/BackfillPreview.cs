using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Titration.Fhir.Reading;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.Storage;
using Titration.Worker.Configuration;
using Titration.Worker.Intake;

namespace Titration.Worker.Reading;

/// <summary>
/// What a backfill would come to: everything is read, evaluated in memory as of now, and forgotten. What is recorded here already is left out of account; it came
/// from the same server.
/// </summary>
internal sealed class BackfillPreview(Backfill backfill, ResourceSorter sorter, Settings settings, TimeProvider time)
{
    private readonly Dictionary<(string Type, string Id, string? Version), Fact> _facts = [];
    private readonly Lock _lock = new();

    /// <param name="request">How it is read.</param>
    /// <param name="database">To see which of our own Tasks are known; null where there is none yet.</param>
    /// <param name="figures">Counted into.</param>
    /// <param name="progress">Told as it goes.</param>
    /// <param name="cancellationToken">Ends it.</param>
    /// <returns>The evaluations of each course as of now.</returns>
    /// <exception cref="FhirSearchException">The server cannot be searched.</exception>
    public async Task<ImmutableArray<Evaluation>> RunAsync(
        BackfillRequest request, IDbContextFactory<TitrationDbContext>? database, ReadingFigures figures, BackfillProgress progress, CancellationToken cancellationToken)
    {
        DateTimeOffset now = time.GetUtcNow();
        await backfill.ReadAsync(
            request, progress,
            async (resources, token) =>
            {
                foreach (SortedResource resource in resources)
                {
                    bool isUnknown = resource.Reading is ResourceReading.Own && !await IsKnownAsync(database, resource, token);
                    Keep(resource, figures, isUnknown, now);
                }
            },
            cancellationToken);
        return await EvaluateAsync(progress, now, cancellationToken);
    }

    private static async Task<bool> IsKnownAsync(IDbContextFactory<TitrationDbContext>? contexts, SortedResource own, CancellationToken cancellationToken)
    {
        if (contexts is null)
        {
            return false;
        }

        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        return await Backfill.OwnerOfAsync(database, own, cancellationToken) is not null;
    }

    private void Keep(SortedResource resource, ReadingFigures figures, bool isUnknown, DateTimeOffset now)
    {
        Fact? fact = (resource.Reading as ResourceReading.Understood)?.Fact;
        bool isFuture = fact is not null && IntakeHandler.IsAhead(fact, settings.Policy.Zone, now);
        figures.Count(resource, isUnknown, isFuture);
        if (fact is not null && !isFuture)
        {
            lock (_lock)
            {
                _facts[(fact.Source.Type, fact.Source.Id, fact.Source.VersionId)] = fact;
            }
        }
    }

    private async Task<ImmutableArray<Evaluation>> EvaluateAsync(BackfillProgress progress, DateTimeOffset now, CancellationToken cancellationToken)
    {
        IGrouping<string, Fact>[] patients = [.. _facts.Values.GroupBy(f => f.Patient, StringComparer.Ordinal).OrderBy(g => g.Key, StringComparer.Ordinal)];
        progress.Begin(Backfill.Patients);
        progress.Expect(Backfill.Patients, patients.Length);
        ImmutableArray<Evaluation>.Builder evaluations = ImmutableArray.CreateBuilder<Evaluation>();
        foreach (IGrouping<string, Fact> patient in patients)
        {
            bool isTreated = patient.Any(f => f is PrescriptionFact { Product.Role: ProductRole.Titrated });
            // As the intake does: without a birth date nothing is stepped up.
            Fact? known = isTreated && await sorter.PatientAsync(patient.Key, cancellationToken) is ResourceReading.Understood understood ? understood.Fact : null;
            ImmutableArray<Fact> facts = known is null ? [.. patient] : [.. patient, known];
            evaluations.AddRange(TitrationPolicy.Evaluate(new PatientHistory(patient.Key, facts), settings.Policy.Protocol, new AsOf(now.Cut(), settings.Policy.Zone, Follow: settings.Policy.Follow)));
            progress.Advance(Backfill.Patients, 1);
        }

        progress.End(Backfill.Patients);
        return evaluations.DrainToImmutable();
    }
}
