using System.Security.Cryptography;
using System.Text.Json;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Facts;
using Titration.Storage.Model;

namespace Titration.Storage.Intake;

/// <summary>A well-formed resource that cannot be used yet.</summary>
/// <param name="Content">Its bytes.</param>
/// <param name="Reason">Why it waits.</param>
/// <param name="Wanted">The references or codes (<c>system|code</c>) that it waits for.</param>
/// <param name="Patient">The patient, as far as it could be read.</param>
/// <param name="TraceParent">W3C traceparent of the message; null where it had none.</param>
public sealed record WaitingResource(
    byte[] Content, WaitingReason Reason, IReadOnlyCollection<string> Wanted, string? Patient, string? TraceParent = null);

/// <summary>Resources that wait for a reference or a mapping, and the codes that no mapping knows.</summary>
public static class WaitingQueries
{
    /// <summary>Keeps a resource until it can be used; one that is there already changes nothing.</summary>
    /// <param name="database">The database.</param>
    /// <param name="resource">The resource.</param>
    /// <param name="receivedAt">Now.</param>
    /// <param name="notBefore">When to try again; null: when the mapping changes.</param>
    /// <param name="cancellationToken">Ends it before anything is kept.</param>
    public static Task KeepWaitingAsync(
        this TitrationDbContext database, WaitingResource resource, DateTimeOffset receivedAt, DateTimeOffset? notBefore, CancellationToken cancellationToken)
    {
        object? retryAt = notBefore is { } instant ? database.Stored(instant) : null;
        return database.Database.ExecuteSqlAsync(
            $"""
            INSERT INTO waiting (content_hash, content, patient, reason, wanted, received_at, trace_parent, attempts, not_before)
            VALUES ({SHA256.HashData(resource.Content)}, {resource.Content}, {resource.Patient}, {resource.Reason.Code()},
                {JsonSerializer.Serialize(resource.Wanted)}, {database.Stored(receivedAt)}, {resource.TraceParent}, 0, {retryAt})
            ON CONFLICT (content_hash) DO NOTHING
            """,
            cancellationToken);
    }

    /// <summary>What is to be tried again by now, the longest overdue first.</summary>
    public static IQueryable<WaitingRow> DueAt(this DbSet<WaitingRow> waiting, DateTimeOffset now) =>
        waiting.AsNoTracking().Where(w => w.NotBefore <= now).OrderBy(w => w.NotBefore).ThenBy(w => w.Id);

    /// <summary>Makes everything that waits for a mapping due: for the start of a process, when the mapping may be another.</summary>
    public static Task<int> ReadUnmappedAgainAsync(this TitrationDbContext database, DateTimeOffset now, CancellationToken cancellationToken) =>
        database.Waiting.Where(w => w.Reason == WaitingReason.Unmapped)
            .ExecuteUpdateAsync(set => set.SetProperty(w => w.NotBefore, now), cancellationToken);

    /// <summary>Counts a vain attempt and says when the next one is.</summary>
    public static Task PostponeWaitingAsync(
        this TitrationDbContext database, long id, DateTimeOffset? notBefore, CancellationToken cancellationToken) =>
        database.Waiting.Where(w => w.Id == id).ExecuteUpdateAsync(
            set => set.SetProperty(w => w.Attempts, w => w.Attempts + 1).SetProperty(w => w.NotBefore, notBefore), cancellationToken);

    /// <summary>Removes what need not wait any more; within the transaction that takes it in.</summary>
    public static Task EndWaitingAsync(this TitrationDbContext database, long id, CancellationToken cancellationToken) =>
        database.Waiting.Where(w => w.Id == id).ExecuteDeleteAsync(cancellationToken);

    /// <summary>Notes a code that the mapping does not know. True the first time, when clinic IT has to be told.</summary>
    public static async Task<bool> NoteUnmappedAsync(
        this TitrationDbContext database, string system, string code, string resourceType, DateTimeOffset seenAt, CancellationToken cancellationToken)
    {
        object at = database.Stored(seenAt);
        List<int> counts = await database.Database.SqlQuery<int>(
            $"""
            INSERT INTO unmapped_code (system, code, resource_type, first_seen, last_seen, count)
            VALUES ({system}, {code}, {resourceType}, {at}, {at}, 1)
            ON CONFLICT (system, code) DO UPDATE SET count = unmapped_code.count + 1, last_seen = excluded.last_seen
            RETURNING count AS "Value"
            """).ToListAsync(cancellationToken);
        return counts is [1];
    }
}
