using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>Finding and loading patients.</summary>
public static class PatientQueries
{
    /// <summary>
    /// Loads patients for load, decide, save, in key order, and adds those that are new. Needs a transaction and a fresh context. On PostgreSQL
    /// the rows are locked until the transaction ends; on SQLite the transaction holds the only write lock anyway. Whether a patient was
    /// erased (<see cref="ErasureMarks.ErasedAmongAsync"/>) is asked before this, in the same transaction.
    /// </summary>
    public static async Task<ImmutableArray<PatientRecord>> LoadPatientsAsync(
        this TitrationDbContext database, IEnumerable<string> patients, CancellationToken cancellationToken)
    {
        string[] ids = [.. patients.Distinct(StringComparer.Ordinal).Order(StringComparer.Ordinal)];
        RequireFresh(database);
        await database.AddMissingPatientsAsync(ids, cancellationToken);
        ImmutableArray<PatientRecord> loaded = await LoadAsync(database, ids, cancellationToken);
        return loaded.Length == ids.Length
            ? loaded
            : throw new DbUpdateConcurrencyException("A patient was erased while its lock was waited for: load again.");
    }

    /// <summary>Loads patients like <see cref="LoadPatientsAsync"/>, and adds none: who is not known, or not any more, is left out.</summary>
    public static async Task<ImmutableArray<PatientRecord>> LoadKnownPatientsAsync(
        this TitrationDbContext database, IEnumerable<string> patients, CancellationToken cancellationToken)
    {
        RequireFresh(database);
        return await LoadAsync(database, [.. patients], cancellationToken);
    }

    private static void RequireFresh(TitrationDbContext database)
    {
        if (database.Database.CurrentTransaction is null || database.ChangeTracker.Entries<PatientRow>().Any())
        {
            throw new InvalidOperationException("Patients are loaded once, within a transaction and into a fresh context.");
        }
    }

    private static async Task<ImmutableArray<PatientRecord>> LoadAsync(TitrationDbContext database, string[] ids, CancellationToken cancellationToken)
    {
        List<PatientRow> rows = await database.LockPatients(ids).ToListAsync(cancellationToken);

        // Only now: what another transaction had under its lock is visible from here on.
        Guid[] chainIds = [.. rows.Select(p => p.ChainId)];
        Dictionary<Guid, ChainRow> chains = await database.Chains.Where(c => chainIds.Contains(c.Id)).ToDictionaryAsync(c => c.Id, cancellationToken);
        ILookup<string, FactRow> facts = (await database.Facts.AsNoTracking().Where(f => ids.Contains(f.Patient))
            .OrderBy(f => f.Patient).ThenBy(f => f.Sequence).ToListAsync(cancellationToken)).ToLookup(f => f.Patient, StringComparer.Ordinal);
        ILookup<string, CourseRow> courses = (await database.Courses.Where(c => ids.Contains(c.Patient))
            .ToListAsync(cancellationToken)).ToLookup(c => c.Patient, StringComparer.Ordinal);
        ILookup<string, CommunicationRow> communications = (await database.Communications
            .Where(c => ids.Contains(c.Patient) && (c.State != CommunicationState.Withdrawn || c.Kind == Protocol.Communications.CommunicationKind.StepChange))
            // In which order a decision takes them back must not be the database's whim.
            .OrderBy(c => c.OpenedAt).ThenBy(c => c.Key).ToListAsync(cancellationToken)).ToLookup(c => c.Patient, StringComparer.Ordinal);
        return
        [
            .. rows.Select(p => new PatientRecord(
                database, p, chains.GetValueOrDefault(p.ChainId), facts[p.Id], courses[p.Id], communications[p.Id])),
        ];
    }

    /// <summary>
    /// Claims patients whose next look has come, the longest overdue first, for a while: two sweeps do not get the same one.
    /// Load, decide and save each; one that fails stays leased and so comes again later.
    /// </summary>
    public static async Task<ImmutableArray<string>> DueAsync(
        this TitrationDbContext database, DateTimeOffset now, TimeSpan lease, int limit, CancellationToken cancellationToken) =>
        [.. (await database.ClaimDuePatients(now, lease, limit).ToListAsync(cancellationToken)).Order(StringComparer.Ordinal)];

    /// <summary>The language that the patient's newest record prefers, BCP 47; null where none is known.</summary>
    public static async Task<string?> LanguageOfAsync(this TitrationDbContext database, string patient, CancellationToken cancellationToken)
    {
        byte[]? newest = await database.Facts.Where(f => f.Patient == patient && f.ResourceType == "Patient")
            .OrderByDescending(f => f.LastUpdated).ThenByDescending(f => f.Sequence).Select(f => f.Content).FirstOrDefaultAsync(cancellationToken);
        return newest is not null && StoredJson.ReadFact(newest) is PatientFact record ? record.Language : null;
    }

    /// <summary>The key of the communication of this kind and cause that stands; null where none does.</summary>
    public static async Task<Guid?> StandingAsync(
        this TitrationDbContext database, string patient, Guid? course, CommunicationReference sought, CancellationToken cancellationToken) =>
        (await database.Communications.AsNoTracking().FirstOrDefaultAsync(
            c => c.Patient == patient && c.CourseId == course && c.Kind == sought.Kind && c.Cause == sought.Cause && c.State == CommunicationState.Standing,
            cancellationToken))?.Key;

    /// <summary>How many patients are due.</summary>
    public static Task<int> CountDueAsync(this TitrationDbContext database, DateTimeOffset now, CancellationToken cancellationToken) =>
        database.Patients.CountAsync(p => p.NextLook <= now, cancellationToken);

    /// <summary>The patients of whom a resource is a fact: for a deletion, which names no patient.</summary>
    public static async Task<ImmutableArray<string>> PatientsOfAsync(
        this TitrationDbContext database, string resourceType, string resourceId, CancellationToken cancellationToken) =>
        [
            .. await database.Facts.Where(f => f.ResourceType == resourceType && f.ResourceId == resourceId)
                .Select(f => f.Patient).Distinct().Order().ToListAsync(cancellationToken),
        ];

    /// <summary>What was known of a patient when its facts ended with this sequence: for explaining and replaying, without any lock.</summary>
    public static async Task<PatientHistory> HistoryOfAsync(
        this TitrationDbContext database, string patient, long upToSequence, CancellationToken cancellationToken)
    {
        List<byte[]> contents = await database.Facts.Where(f => f.Patient == patient && f.Sequence <= upToSequence)
            .OrderBy(f => f.Sequence).Select(f => f.Content).ToListAsync(cancellationToken);
        return new PatientHistory(patient, [.. contents.Select(c => StoredJson.ReadFact(c))]);
    }

    /// <summary>A patient's decisions with their content, oldest first.</summary>
    public static IQueryable<ChainEntry> DecisionsOf(this TitrationDbContext database, string patient) =>
        from content in database.DecisionContents.AsNoTracking()
        join decision in database.Decisions.AsNoTracking()
            on new { content.ChainId, content.Sequence } equals new { decision.ChainId, decision.Sequence }
        where content.Patient == patient
        orderby content.Sequence
        select new ChainEntry(decision, content);

    /// <summary>The evaluation of a course that was decided last; null where none was.</summary>
    public static async Task<Evaluation?> LastDecidedAsync(this TitrationDbContext database, string patient, Guid course, CancellationToken cancellationToken)
    {
        byte[]? content = await database.DecisionContents.Where(c => c.Patient == patient && c.CourseId == course)
            .OrderByDescending(c => c.Sequence).Select(c => c.Content).FirstOrDefaultAsync(cancellationToken);
        return content is null ? null : StoredJson.ReadEvaluation(content);
    }

    /// <summary>Courses by outcome and step.</summary>
    public static async Task<ImmutableArray<CourseCount>> CountCoursesAsync(
        this TitrationDbContext database, CancellationToken cancellationToken) =>
        [
            .. await database.Courses.GroupBy(c => new { c.Outcome, c.Step })
                .Select(g => new CourseCount(g.Key.Outcome, g.Key.Step, g.Count())).ToListAsync(cancellationToken),
        ];
}

/// <summary>How many courses have this outcome on this step.</summary>
public sealed record CourseCount(Outcome? Outcome, string? Step, int Count);
