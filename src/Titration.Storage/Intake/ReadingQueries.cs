using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Titration.Storage.Model;

namespace Titration.Storage.Intake;

/// <summary>How far the FHIR server was read, and what was read of it and waits to be taken in.</summary>
public static class ReadingQueries
{
    /// <summary>How far a type was read for a purpose; null: not at all.</summary>
    public static async Task<DateTimeOffset?> ReadUntilAsync(
        this TitrationDbContext database, string purpose, string resourceType, CancellationToken cancellationToken) =>
        (await database.ReadPositions.AsNoTracking().FirstOrDefaultAsync(p => p.Purpose == purpose && p.ResourceType == resourceType, cancellationToken))?.Until;

    /// <summary>Keeps how far a type was read.</summary>
    public static async Task KeepReadUntilAsync(
        this TitrationDbContext database, string purpose, string resourceType, DateTimeOffset until, CancellationToken cancellationToken)
    {
        if (await database.ReadPositions.FirstOrDefaultAsync(p => p.Purpose == purpose && p.ResourceType == resourceType, cancellationToken) is { } row)
        {
            row.Until = until;
        }
        else
        {
            database.ReadPositions.Add(new ReadPositionRow { Purpose = purpose, ResourceType = resourceType, Until = until });
        }

        await database.SaveChangesAsync(cancellationToken);
    }

    /// <summary>Forgets how far was read for a purpose, and what waits: the next reading starts at the beginning.</summary>
    public static async Task ForgetReadingAsync(this TitrationDbContext database, string purpose, CancellationToken cancellationToken)
    {
        await database.ReadPositions.Where(p => p.Purpose == purpose).ExecuteDeleteAsync(cancellationToken);
        await database.StagedResources.ExecuteDeleteAsync(cancellationToken);
    }

    /// <summary>Keeps what was read; what is here already stays as it is. Needs a fresh context.</summary>
    public static async Task StageAsync(this TitrationDbContext database, IReadOnlyCollection<StagedResourceRow> resources, CancellationToken cancellationToken)
    {
        foreach (IGrouping<string, StagedResourceRow> type in resources.GroupBy(r => r.ResourceType, StringComparer.Ordinal))
        {
            string[] ids = [.. type.Select(r => r.ResourceId)];
            List<string> here = await database.StagedResources
                .Where(s => s.ResourceType == type.Key && ids.Contains(s.ResourceId)).Select(s => s.ResourceId + "/" + s.VersionId).ToListAsync(cancellationToken);
            database.StagedResources.AddRange(type.DistinctBy(r => (r.ResourceId, r.VersionId))
                .Where(r => !here.Contains($"{r.ResourceId}/{r.VersionId}", StringComparer.Ordinal)));
        }

        await database.SaveChangesAsync(cancellationToken);
    }

    /// <summary>The patients of whom something waits to be taken in, in a fixed order; an empty one stands for what could not be read.</summary>
    public static async Task<ImmutableArray<string>> StagedPatientsAsync(this TitrationDbContext database, CancellationToken cancellationToken) =>
        [.. await database.StagedResources.Select(s => s.Patient).Distinct().Order().ToListAsync(cancellationToken)];

    /// <summary>What waits of a patient.</summary>
    public static async Task<ImmutableArray<StagedResourceRow>> StagedOfAsync(this TitrationDbContext database, string patient, CancellationToken cancellationToken) =>
        [.. await database.StagedResources.AsNoTracking().Where(s => s.Patient == patient).OrderBy(s => s.ResourceType).ThenBy(s => s.ResourceId).ToListAsync(cancellationToken)];

    /// <summary>What waited of a patient has been taken in.</summary>
    public static Task UnstageAsync(this TitrationDbContext database, string patient, CancellationToken cancellationToken) =>
        database.StagedResources.Where(s => s.Patient == patient).ExecuteDeleteAsync(cancellationToken);
}
