using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Titration.Fhir.Reading;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Intake;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using Titration.Worker.Intake;

namespace Titration.Worker.Reading;

/// <summary>How existing records are to be read.</summary>
/// <param name="Since">What was changed last before it is left out; null: nothing is.</param>
/// <param name="PageSize">Resources asked for at once.</param>
/// <param name="Parallel">Requests at once: each reads another type.</param>
internal sealed record BackfillRequest(DateTimeOffset? Since, int PageSize, int Parallel);

/// <summary>
/// Takes in what the FHIR server holds already, in two parts. First everything is read and what says something of a titration is put aside, with the position, so that an
/// interrupted backfill goes on where it was. Then each patient is taken in: all of a patient's records in one transaction, so that no proposal is made from half
/// a history.
/// </summary>
internal sealed class Backfill(
    WindowReader windows, ResourceSorter sorter, IntakeHandler intake, IDbContextFactory<TitrationDbContext> contexts, Settings settings, TimeProvider time)
{
    public const string Purpose = "backfill";

    /// <summary>The phase of the progress in which patients are taken in.</summary>
    public const string Patients = "patients";

    public static readonly ImmutableArray<string> Types = ["MedicationRequest", "Observation", "Task", "CommunicationRequest"];

    /// <summary>A server's clock may be ahead of ours.</summary>
    private static readonly TimeSpan Ahead = TimeSpan.FromMinutes(1);

    /// <summary>A server may show a change a while after the time that it gives to it.</summary>
    private static readonly TimeSpan Overlap = TimeSpan.FromMinutes(5);

    private static readonly TimeSpan Patience = TimeSpan.FromMinutes(10);

    /// <summary>Reads and takes in. Interrupted and called again, it goes on.</summary>
    /// <returns>How many patients were taken in.</returns>
    /// <exception cref="FhirSearchException">The server cannot be searched.</exception>
    public async Task<int> ApplyAsync(BackfillRequest request, ReadingFigures figures, BackfillProgress progress, CancellationToken cancellationToken)
    {
        DateTimeOffset now = time.GetUtcNow();
        await ReadAsync(
            request, progress,
            async (type, token) =>
            {
                await using TitrationDbContext database = await contexts.CreateDbContextAsync(token);
                return await database.ReadUntilAsync(Purpose, type, token) - Overlap;
            },
            async (resources, token) =>
            {
                await using TitrationDbContext database = await contexts.CreateDbContextAsync(token);
                await StageAsync(database, resources, figures, now, token);
            },
            async (type, until, token) =>
            {
                await using TitrationDbContext database = await contexts.CreateDbContextAsync(token);
                await database.KeepReadUntilAsync(Purpose, type, until < now ? until : now, token);
            },
            cancellationToken);
        return await TakeInAsync(progress, cancellationToken);
    }

    /// <summary>Reads everything and keeps nothing.</summary>
    /// <param name="request">How.</param>
    /// <param name="progress">Told as it goes.</param>
    /// <param name="page">Takes what was read.</param>
    /// <param name="cancellationToken">Ends it.</param>
    /// <exception cref="FhirSearchException">The server cannot be searched.</exception>
    public Task ReadAsync(
        BackfillRequest request, BackfillProgress progress, Func<ImmutableArray<SortedResource>, CancellationToken, Task> page, CancellationToken cancellationToken) =>
        ReadAsync(request, progress, (_, _) => Task.FromResult<DateTimeOffset?>(null), page, (_, _, _) => Task.CompletedTask, cancellationToken);

    private async Task ReadAsync(
        BackfillRequest request, BackfillProgress progress, Func<string, CancellationToken, Task<DateTimeOffset?>> from,
        Func<ImmutableArray<SortedResource>, CancellationToken, Task> page, Func<string, DateTimeOffset, CancellationToken, Task> done, CancellationToken cancellationToken)
    {
        DateTimeOffset until = time.GetUtcNow() + Ahead;
        await Parallel.ForEachAsync(Types, new ParallelOptions { MaxDegreeOfParallelism = request.Parallel, CancellationToken = cancellationToken }, async (type, token) =>
        {
            progress.Begin(type);
            WindowSink sink = new(
                total => progress.Expect(type, total),
                async (found, t) =>
                {
                    ImmutableArray<SortedResource>.Builder sorted = ImmutableArray.CreateBuilder<SortedResource>(found.Resources.Length);
                    foreach (ReadOnlyMemory<byte> resource in found.Resources)
                    {
                        sorted.Add(await sorter.SortAsync(resource, t));
                    }

                    await page(sorted.MoveToImmutable(), t);
                    progress.Advance(type, found.Resources.Length);
                },
                (to, t) => done(type, to, t));
            DateTimeOffset start = await from(type, token) ?? request.Since ?? WindowReader.Beginning;
            await windows.ReadAsync(type, start, until, request.PageSize, Patience, sink, token);
            progress.End(type);
        });
    }

    /// <summary>Whose communication it is; null where this database knows none, or there is no answer in it.</summary>
    public static async Task<string?> OwnerOfAsync(TitrationDbContext database, SortedResource resource, CancellationToken cancellationToken) =>
        (await database.CommunicationOfAsync(resource.Header.Type!, resource.Header.Id!, cancellationToken))?.Patient;

    private async Task StageAsync(
        TitrationDbContext database, ImmutableArray<SortedResource> resources, ReadingFigures figures, DateTimeOffset now, CancellationToken cancellationToken)
    {
        List<StagedResourceRow> staged = [];
        Dictionary<string, string> known = await KnownAsync(database, resources, cancellationToken);
        foreach (SortedResource resource in resources)
        {
            string? owner = resource.Reading is ResourceReading.Own ? await OwnerOfAsync(database, resource, cancellationToken) : resource.Patient;
            bool isFuture = resource.Reading is ResourceReading.Understood { Fact: var fact } && IntakeHandler.IsAhead(fact, settings.Policy.Zone, now);
            figures.Count(resource, isOwnUnknown: owner is null, isFuture);
            if (owner is not null && IsOfUse(resource, known) && resource.Header is { Type: { } type, Id: { } id })
            {
                staged.Add(new StagedResourceRow
                {
                    ResourceType = type,
                    ResourceId = id,
                    VersionId = resource.Header.VersionId ?? "",
                    Patient = owner,
                    Content = resource.Bytes.ToArray(),
                    Medication = resource.Medication,
                });
            }
        }

        await database.StageAsync(staged, cancellationToken);
    }

    /// <summary>Of what says nothing of a titration only that which once did: its newest version takes that back.</summary>
    internal static bool IsOfUse(SortedResource resource, IReadOnlyDictionary<string, string> known) => resource.Reading switch
    {
        ResourceReading.Skipped { Header: var header } => header.Id is not null && known.ContainsKey($"{header.Type}/{header.Id}"),
        ResourceReading.Own { Answer: null } => false,
        _ => true,
    };

    /// <summary>Whose facts come from resources that say nothing of a titration now, by <c>Type/id</c>.</summary>
    internal static async Task<Dictionary<string, string>> KnownAsync(
        TitrationDbContext database, ImmutableArray<SortedResource> resources, CancellationToken cancellationToken)
    {
        string[] ids = [.. resources.Where(r => r.Reading is ResourceReading.Skipped).Select(r => r.Header.Id).OfType<string>()];
        var facts = ids.Length == 0 ? [] : await database.Facts.Where(f => ids.Contains(f.ResourceId)).Select(f => new { f.ResourceType, f.ResourceId, f.Patient }).Distinct().ToListAsync(cancellationToken);
        return facts.GroupBy(f => $"{f.ResourceType}/{f.ResourceId}", StringComparer.Ordinal).ToDictionary(g => g.Key, g => g.First().Patient, StringComparer.Ordinal);
    }

    private async Task<int> TakeInAsync(BackfillProgress progress, CancellationToken cancellationToken)
    {
        ImmutableArray<string> patients;
        await using (TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken))
        {
            patients = await database.StagedPatientsAsync(cancellationToken);
        }

        progress.Begin(Patients);
        progress.Expect(Patients, patients.Length);
        foreach (string patient in patients)
        {
            await TakeInAsync(patient, cancellationToken);
            progress.Advance(Patients, 1);
        }

        progress.End(Patients);
        return patients.Count(p => p.Length > 0);
    }

    /// <summary>Killed between the two, the patient is taken in once more, which changes nothing.</summary>
    private async Task TakeInAsync(string patient, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        ImmutableArray<ReadOnlyMemory<byte>> messages =
        [
            .. (await database.StagedOfAsync(patient, cancellationToken)).Select(s => (ReadOnlyMemory<byte>)SortedResource.Message(s.Content, s.Medication)),
        ];
        if (patient.Length > 0)
        {
            await intake.HandleAsync(messages, Purpose, traceParent: null, alongside: null, cancellationToken);
        }
        else
        {
            // Nobody's: each is somebody else's, or unreadable.
            foreach (ReadOnlyMemory<byte> message in messages)
            {
                await intake.HandleAsync(message, Purpose, traceParent: null, alongside: null, cancellationToken);
            }
        }

        await database.UnstageAsync(patient, cancellationToken);
    }
}
