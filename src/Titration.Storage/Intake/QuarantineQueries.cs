using System.Security.Cryptography;
using Microsoft.EntityFrameworkCore;
using Titration.Storage.Model;

namespace Titration.Storage.Intake;

/// <summary>A message that could not be read.</summary>
/// <param name="Content">Its bytes.</param>
/// <param name="Source">Where it came from: <c>queue</c>, <c>http</c>, <c>waiting</c>, or <see cref="QuarantineQueries.Retry"/>.</param>
/// <param name="Reason">The reason's code.</param>
/// <param name="Path">Where in the resource; empty for the whole.</param>
/// <param name="Problem">What is wrong there.</param>
/// <param name="Patient">The patient, as far as it could be read.</param>
public sealed record UnreadableMessage(byte[] Content, string Source, string Reason, string Path, string Problem, string? Patient);

/// <summary>Messages that could not be read: kept, counted, tried again.</summary>
public static class QuarantineQueries
{
    /// <summary>The source of what is read again from quarantine: no delivery, so that it is not counted as one.</summary>
    public const string Retry = "retry";

    /// <summary>
    /// Keeps a message, or counts one more delivery of it. One that was tried again and comes back is held again. A retry that was asked for
    /// stands until a worker has made it, whoever delivers the message meanwhile.
    /// </summary>
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
                count = quarantine.count + CASE WHEN excluded.source = 'retry' THEN 0 ELSE 1 END,
                last_received_at = CASE WHEN excluded.source = 'retry' THEN quarantine.last_received_at ELSE excluded.last_received_at END,
                patient = COALESCE(excluded.patient, quarantine.patient),
                reason = excluded.reason,
                path = excluded.path,
                problem = excluded.problem,
                state = CASE WHEN quarantine.state = 'retried' OR (quarantine.state = 'retry-requested' AND excluded.source = 'retry')
                    THEN 'held' ELSE quarantine.state END
            """,
            cancellationToken);
    }

    /// <summary>What is held, oldest first.</summary>
    public static IQueryable<QuarantineRow> Held(this DbSet<QuarantineRow> quarantine) =>
        quarantine.AsNoTracking().Where(q => q.State == QuarantineState.Held).OrderBy(q => q.Id);

    /// <summary>What is to be read again, oldest first.</summary>
    public static IQueryable<QuarantineRow> ToRetry(this DbSet<QuarantineRow> quarantine) =>
        quarantine.AsNoTracking().Where(q => q.State == QuarantineState.RetryRequested).OrderBy(q => q.Id);

    /// <summary>Asks for a held message to be read again. False where it is not held.</summary>
    public static async Task<bool> RequestRetryAsync(this TitrationDbContext database, long id, CancellationToken cancellationToken) =>
        await database.Quarantine.Where(q => q.Id == id && q.State == QuarantineState.Held).ExecuteUpdateAsync(
            set => set.SetProperty(q => q.State, QuarantineState.RetryRequested), cancellationToken) > 0;

    /// <summary>Asks for everything that is held to be read again.</summary>
    /// <returns>How many messages that are.</returns>
    public static Task<int> RequestRetryOfAllAsync(this TitrationDbContext database, CancellationToken cancellationToken) =>
        database.Quarantine.Where(q => q.State == QuarantineState.Held).ExecuteUpdateAsync(
            set => set.SetProperty(q => q.State, QuarantineState.RetryRequested), cancellationToken);

    /// <summary>
    /// Says that a message was taken in after all; after <see cref="QuarantineAsync"/>, which has put it back to held where it is still unreadable.
    /// False where nobody waits for it any more.
    /// </summary>
    public static async Task<bool> MarkRetriedAsync(
        this TitrationDbContext database, long id, DateTimeOffset at, CancellationToken cancellationToken) =>
        await database.Quarantine.Where(q => q.Id == id && q.State == QuarantineState.RetryRequested).ExecuteUpdateAsync(
            set => set.SetProperty(q => q.State, QuarantineState.Retried).SetProperty(q => q.RetriedAt, at), cancellationToken) > 0;

    /// <summary>Holds a message again whose retry failed because of a defect.</summary>
    /// <param name="database">The database.</param>
    /// <param name="id">The message.</param>
    /// <param name="problem">What happened, without a word of the message's content.</param>
    /// <param name="cancellationToken">Ends it before anything is changed.</param>
    public static Task<int> HoldAgainAsync(this TitrationDbContext database, long id, string problem, CancellationToken cancellationToken) =>
        database.Quarantine.Where(q => q.Id == id && q.State == QuarantineState.RetryRequested).ExecuteUpdateAsync(
            set => set.SetProperty(q => q.State, QuarantineState.Held).SetProperty(q => q.Reason, "defect").SetProperty(q => q.Path, "")
                .SetProperty(q => q.Problem, problem),
            cancellationToken);

    /// <summary>Says that a message is of no use. False where it is neither held nor waits for a retry.</summary>
    public static async Task<bool> DiscardAsync(this TitrationDbContext database, long id, CancellationToken cancellationToken) =>
        await database.Quarantine.Where(q => q.Id == id && (q.State == QuarantineState.Held || q.State == QuarantineState.RetryRequested)).ExecuteUpdateAsync(
            set => set.SetProperty(q => q.State, QuarantineState.Discarded), cancellationToken) > 0;

    /// <summary>Removes a message.</summary>
    public static Task RemoveFromQuarantineAsync(this TitrationDbContext database, long id, CancellationToken cancellationToken) =>
        database.Quarantine.Where(q => q.Id == id).ExecuteDeleteAsync(cancellationToken);

    /// <summary>Removes messages that came last before an instant, except those whose retry is still to be made.</summary>
    /// <returns>How many.</returns>
    public static Task<int> RemoveReceivedBeforeAsync(this TitrationDbContext database, DateTimeOffset instant, CancellationToken cancellationToken) =>
        database.Quarantine.Where(q => q.LastReceivedAt < instant && q.State != QuarantineState.RetryRequested).ExecuteDeleteAsync(cancellationToken);
}
