using System.Security.Cryptography;
using Microsoft.EntityFrameworkCore;
using Titration.Storage.Model;

namespace Titration.Storage.Intake;

/// <summary>A message that could not be read.</summary>
/// <param name="Content">Its bytes.</param>
/// <param name="Source">Where it came from, such as <c>queue</c> or <c>http</c>.</param>
/// <param name="Reason">The reason's code.</param>
/// <param name="Path">Where in the resource; empty for the whole.</param>
/// <param name="Problem">What is wrong there.</param>
/// <param name="Patient">The patient, as far as it could be read.</param>
public sealed record UnreadableMessage(byte[] Content, string Source, string Reason, string Path, string Problem, string? Patient);

/// <summary>Messages that could not be read: kept, counted, tried again.</summary>
public static class QuarantineQueries
{
    /// <summary>Keeps a message, or counts one more delivery of it. One that was tried again and comes back is held again.</summary>
    public static Task QuarantineAsync(
        this TitrationDbContext database, UnreadableMessage message, DateTimeOffset receivedAt, CancellationToken cancellationToken)
    {
        object at = database.Stored(receivedAt);
        return database.Database.ExecuteSqlAsync(
            $"""
            INSERT INTO quarantine (content_hash, content, source, patient, reason, path, problem, received_at, last_received_at, count, state)
            VALUES ({SHA256.HashData(message.Content)}, {message.Content}, {message.Source}, {message.Patient}, {message.Reason}, {message.Path},
                {message.Problem}, {at}, {at}, 1, 'held')
            ON CONFLICT (content_hash) DO UPDATE SET
                count = quarantine.count + 1,
                last_received_at = excluded.last_received_at,
                reason = excluded.reason,
                path = excluded.path,
                problem = excluded.problem,
                state = CASE WHEN quarantine.state = 'retried' THEN 'held' ELSE quarantine.state END
            """,
            cancellationToken);
    }

    /// <summary>What is held, oldest first.</summary>
    public static IQueryable<QuarantineRow> Held(this DbSet<QuarantineRow> quarantine) =>
        quarantine.AsNoTracking().Where(q => q.State == QuarantineState.Held).OrderBy(q => q.Id);

    /// <summary>Says that a held message was taken in after all. False where it was not held.</summary>
    public static async Task<bool> MarkRetriedAsync(
        this TitrationDbContext database, long id, DateTimeOffset at, CancellationToken cancellationToken) =>
        await database.Quarantine.Where(q => q.Id == id && q.State == QuarantineState.Held).ExecuteUpdateAsync(
            set => set.SetProperty(q => q.State, QuarantineState.Retried).SetProperty(q => q.RetriedAt, at), cancellationToken) > 0;

    /// <summary>Says that a held message is of no use. False where it was not held.</summary>
    public static async Task<bool> DiscardAsync(this TitrationDbContext database, long id, CancellationToken cancellationToken) =>
        await database.Quarantine.Where(q => q.Id == id && q.State == QuarantineState.Held).ExecuteUpdateAsync(
            set => set.SetProperty(q => q.State, QuarantineState.Discarded), cancellationToken) > 0;
}
