using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Communications;
using Titration.Storage.Model;

namespace Titration.Storage.Delivery;

/// <summary>How the outbox stands.</summary>
/// <param name="Unsent">Entries that have not left.</param>
/// <param name="Dead">Entries that a person must look at.</param>
/// <param name="OldestUnsent">When the oldest of the unsent was made, those that wait for a better hour left out; null where there is none.</param>
public sealed record OutboxDepth(int Unsent, int Dead, DateTimeOffset? OldestUnsent);

/// <summary>
/// Claiming entries of the outbox and saying what became of them. A claim is a lease with a fencing number: whoever was too slow is told so
/// (false) and changes nothing.
/// </summary>
public static class OutboxQueries
{
    /// <summary>In the place of a problem: a proposal that was counted and is being sent.</summary>
    private const string Leaving = "leaving";

    /// <summary>
    /// Leases the next entries, stat first. Of one patient they come in order: an entry is not claimed while an earlier one is unsent.
    /// </summary>
    /// <param name="database">The database.</param>
    /// <param name="now">Now. Counts on SQLite; PostgreSQL goes by its own clock.</param>
    /// <param name="lease">Short: whoever works on an entry prolongs it, and whoever was killed is soon followed by another.</param>
    /// <param name="limit">At most so many.</param>
    /// <param name="onlySafety">True: only safety referrals and withdrawals leave, and they do not wait for what is held back.</param>
    /// <param name="cancellationToken">Ends it before anything is claimed.</param>
    public static async Task<ImmutableArray<OutboxRow>> ClaimAsync(
        this TitrationDbContext database, DateTimeOffset now, TimeSpan lease, int limit, bool onlySafety, CancellationToken cancellationToken)
    {
        List<OutboxRow> claimed = await database.ClaimOutboxEntries(onlySafety, now, lease, limit).AsNoTracking().ToListAsync(cancellationToken);
        return [.. claimed.OrderBy(o => o.Rank).ThenBy(o => o.Id)];
    }

    /// <summary>Prolongs the leases of entries that are still being worked on; one that another holds by now is left alone.</summary>
    public static async Task ProlongAsync(
        this TitrationDbContext database, IEnumerable<OutboxRow> entries, DateTimeOffset now, TimeSpan lease, CancellationToken cancellationToken)
    {
        foreach (OutboxRow entry in entries)
        {
            await database.ProlongAsync(entry, now, lease, cancellationToken);
        }
    }

    /// <summary>
    /// Marks an entry as sent and keeps what the server now holds, both or neither. Joins the caller's transaction where there is one. Needs a fresh context.
    /// </summary>
    public static async Task<bool> CompleteAsync(
        this TitrationDbContext database, OutboxRow entry, IReadOnlyCollection<SentResourceRow> held, DateTimeOffset now, CancellationToken cancellationToken)
    {
        await using var own = database.Database.CurrentTransaction is null
            ? await database.Database.BeginTransactionAsync(cancellationToken)
            : null;
        int changed = await Held(database, entry).ExecuteUpdateAsync(
            set => set.SetProperty(o => o.State, OutboxState.Sent).SetProperty(o => o.SentAt, now)
                .SetProperty(o => o.LeaseUntil, (DateTimeOffset?)null).SetProperty(o => o.Problem, (string?)null),
            cancellationToken);
        if (changed == 0)
        {
            return false;
        }

        await database.KeepSentAsync(held, cancellationToken);
        if (own is not null)
        {
            await own.CommitAsync(cancellationToken);
        }

        return true;
    }

    /// <summary>Gives an entry back, to be claimed again after a while, such as a Retry-After.</summary>
    /// <param name="database">The database.</param>
    /// <param name="entry">The entry as claimed.</param>
    /// <param name="now">Now. Counts on SQLite; PostgreSQL goes by its own clock: a worker whose clock is ahead must not hold anything back.</param>
    /// <param name="wait">Zero: at once.</param>
    /// <param name="problem">A code without patient data.</param>
    /// <param name="cancellationToken">Ends it before anything is changed.</param>
    public static async Task<bool> GiveBackAsync(
        this TitrationDbContext database, OutboxRow entry, DateTimeOffset now, TimeSpan wait, string problem, CancellationToken cancellationToken) =>
        await database.GiveBackEntryAsync(entry, now, wait, problem, cancellationToken) > 0;

    /// <summary>Drops an entry whose grounds have gone.</summary>
    public static Task<bool> DropAsync(this TitrationDbContext database, OutboxRow entry, string problem, CancellationToken cancellationToken) =>
        EndAsync(database, entry, OutboxState.Dropped, problem, cancellationToken);

    /// <summary>Lays an entry aside as a dead letter. Only later entries of the same communication wait for it.</summary>
    /// <param name="database">The database.</param>
    /// <param name="entry">The entry as claimed.</param>
    /// <param name="problem">A code or a short text without patient data.</param>
    /// <param name="cancellationToken">Ends it before anything is changed.</param>
    public static Task<bool> BuryAsync(this TitrationDbContext database, OutboxRow entry, string problem, CancellationToken cancellationToken) =>
        EndAsync(database, entry, OutboxState.Dead, problem, cancellationToken);

    /// <summary>The dead letters, oldest first.</summary>
    public static IQueryable<OutboxRow> Dead(this DbSet<OutboxRow> outbox) =>
        outbox.AsNoTracking().Where(o => o.State == OutboxState.Dead).OrderBy(o => o.Id);

    /// <summary>Puts a dead letter back into its place, once its cause was removed.</summary>
    public static async Task<bool> ReviveAsync(this TitrationDbContext database, long id, CancellationToken cancellationToken) =>
        await ReviveAsync(database.Outbox.Where(o => o.Id == id), cancellationToken) > 0;

    /// <summary>Puts every dead letter back.</summary>
    /// <returns>How many.</returns>
    public static Task<int> ReviveAllAsync(this TitrationDbContext database, CancellationToken cancellationToken) =>
        ReviveAsync(database.Outbox, cancellationToken);

    /// <summary>Ends all leases at once: for the start of the one process that has an embedded database. Former holders are fenced off.</summary>
    public static Task<int> EndLeasesAsync(this TitrationDbContext database, CancellationToken cancellationToken) =>
        database.Outbox.Where(o => o.State == OutboxState.Leased).ExecuteUpdateAsync(
            set => set.SetProperty(o => o.State, OutboxState.Pending).SetProperty(o => o.LeaseUntil, (DateTimeOffset?)null)
                .SetProperty(o => o.Fence, o => o.Fence + 1),
            cancellationToken);

    /// <summary>
    /// Keeps what the server holds by now of an entry's communication, as long as the entry is still the caller's: one that another has by now, or
    /// whose patient was erased meanwhile, leaves nothing. Needs a fresh context.
    /// </summary>
    public static async Task<bool> KeepSentAsync(
        this TitrationDbContext database, OutboxRow entry, IReadOnlyCollection<SentResourceRow> held, CancellationToken cancellationToken)
    {
        await using var transaction = await database.Database.BeginTransactionAsync(cancellationToken);
        if (await Held(database, entry).ExecuteUpdateAsync(set => set.SetProperty(o => o.Fence, entry.Fence), cancellationToken) == 0)
        {
            return false;
        }

        await database.KeepSentAsync(held, cancellationToken);
        await transaction.CommitAsync(cancellationToken);
        return true;
    }

    /// <summary>Keeps what the server holds of communications; for a role that is there already the id and version are replaced.</summary>
    public static async Task KeepSentAsync(
        this TitrationDbContext database, IReadOnlyCollection<SentResourceRow> held, CancellationToken cancellationToken)
    {
        Guid[] keys = [.. held.Select(h => h.CommunicationKey).Distinct()];
        List<SentResourceRow> there = await database.SentResources.Where(s => keys.Contains(s.CommunicationKey)).ToListAsync(cancellationToken);
        foreach (SentResourceRow resource in held)
        {
            SentResourceRow? known = there.Find(s => s.CommunicationKey == resource.CommunicationKey && s.Role == resource.Role);
            if (known is null)
            {
                database.SentResources.Add(resource);
                continue;
            }

            known.ResourceType = resource.ResourceType;
            known.ServerId = resource.ServerId;
            known.VersionId = resource.VersionId;
        }

        await database.SaveChangesAsync(cancellationToken);
    }

    /// <summary>What the server holds of a communication.</summary>
    public static async Task<ImmutableArray<SentResourceRow>> SentOfAsync(
        this TitrationDbContext database, Guid communicationKey, CancellationToken cancellationToken) =>
        [
            .. await database.SentResources.AsNoTracking().Where(s => s.CommunicationKey == communicationKey)
                .OrderBy(s => s.Role).ToListAsync(cancellationToken),
        ];

    /// <summary>The communication to which a resource of ours on the server belongs; null where it is none of ours.</summary>
    public static Task<CommunicationRow?> CommunicationOfAsync(
        this TitrationDbContext database, string resourceType, string serverId, CancellationToken cancellationToken) =>
        database.Communications.AsNoTracking()
            .Where(c => database.SentResources.Any(s => s.CommunicationKey == c.Key && s.ResourceType == resourceType && s.ServerId == serverId))
            .FirstOrDefaultAsync(cancellationToken);

    /// <summary>Whether the decision behind an entry already knew what a clinician answered to this Task.</summary>
    public static Task<bool> KnewAnswerAsync(this TitrationDbContext database, OutboxRow entry, string taskId, CancellationToken cancellationToken) =>
        database.DecisionContents.AnyAsync(
            d => d.DecisionId == entry.DecisionId
                && database.Facts.Any(f => f.Patient == d.Patient && f.ResourceType == "Task" && f.ResourceId == taskId && f.Sequence <= d.FactSequence),
            cancellationToken);

    /// <summary>How many stat entries made at or before an instant have not left: each is a reason for an alert.</summary>
    public static Task<int> CountUnconfirmedStatAsync(
        this TitrationDbContext database, DateTimeOffset madeBy, CancellationToken cancellationToken) =>
        UnconfirmedStat(database, madeBy).CountAsync(cancellationToken);

    /// <summary>The id of the newest of them; 0 where there is none.</summary>
    public static async Task<long> NewestUnconfirmedStatAsync(
        this TitrationDbContext database, DateTimeOffset madeBy, CancellationToken cancellationToken) =>
        await UnconfirmedStat(database, madeBy).MaxAsync(o => (long?)o.Id, cancellationToken) ?? 0;

    /// <summary>How many messages that may be paced left to a patient since an instant.</summary>
    public static Task<int> CountPacedSinceAsync(
        this TitrationDbContext database, string patient, DateTimeOffset since, CancellationToken cancellationToken) =>
        database.Outbox.CountAsync(
            o => o.Patient == patient && o.Paced && o.State == OutboxState.Sent && o.SentAt >= since
                && o.Kind != CommunicationKind.ClinicTask && o.Action != OutboxAction.HandOver && !(o.Kind == CommunicationKind.StepChange && o.Action == OutboxAction.Issue),
            cancellationToken);

    /// <summary>Lets a proposal that may wait leave, unless so many of all patients' have left since an instant, or are about to.</summary>
    /// <param name="database">The database, in no transaction.</param>
    /// <param name="entry">The entry as claimed.</param>
    /// <param name="since">Since when they count.</param>
    /// <param name="most">So many, over all workers.</param>
    /// <param name="cancellationToken">Ends it before anything is decided.</param>
    public static async Task<bool> LetProposalLeaveAsync(
        this TitrationDbContext database, OutboxRow entry, DateTimeOffset since, int most, CancellationToken cancellationToken)
    {
        // One at a time over all workers: who leaves is marked before the next is counted.
        await using var transaction = await database.Database.BeginTransactionAsync(cancellationToken);
        await database.HoldOffProposalsAsync(cancellationToken);
        IQueryable<OutboxRow> proposals = database.Outbox.Where(o => o.Action == OutboxAction.Issue && o.Kind == CommunicationKind.StepChange && o.Paced && o.Id != entry.Id);
        int left = await proposals.CountAsync(o => o.State == OutboxState.Sent && o.SentAt >= since, cancellationToken);
        int leaving = await proposals.CountAsync(o => o.State == OutboxState.Leased && o.Problem == Leaving, cancellationToken);
        if (left + leaving >= most)
        {
            return false;
        }

        await Held(database, entry).ExecuteUpdateAsync(set => set.SetProperty(o => o.Problem, Leaving), cancellationToken);
        await transaction.CommitAsync(cancellationToken);
        return true;
    }

    /// <summary>Depth and age. What the mode or a better hour holds back has no age.</summary>
    public static async Task<OutboxDepth> OutboxDepthAsync(
        this TitrationDbContext database, CancellationToken cancellationToken, OperatingMode mode = OperatingMode.Live)
    {
        IQueryable<OutboxRow> unsent = database.Outbox.Where(o => o.State == OutboxState.Pending || o.State == OutboxState.Leased);
        IQueryable<OutboxRow> leaving = mode switch
        {
            OperatingMode.Live => unsent,
            OperatingMode.Paused => unsent.Where(o => o.Action == OutboxAction.Withdraw || o.Kind == CommunicationKind.SafetyReferral),
            OperatingMode.Shadow => unsent.Where(_ => false),
        };
        return new OutboxDepth(
            await unsent.CountAsync(cancellationToken),
            await database.Outbox.CountAsync(o => o.State == OutboxState.Dead, cancellationToken),
            await leaving
                .Where(o => (!o.Paced || o.NotBefore == null)
                    && !unsent.Any(own => own.CommunicationKey == o.CommunicationKey && own.Sequence < o.Sequence && own.Paced && own.NotBefore != null))
                .MinAsync(o => (DateTimeOffset?)o.CreatedAt, cancellationToken));
    }

    private static IQueryable<OutboxRow> UnconfirmedStat(TitrationDbContext database, DateTimeOffset madeBy) =>
        database.Outbox.Where(
            o => o.Rank == 0 && o.CreatedAt <= madeBy
                && (o.State == OutboxState.Pending || o.State == OutboxState.Leased || o.State == OutboxState.Dead));

    private static Task<int> ReviveAsync(IQueryable<OutboxRow> entries, CancellationToken cancellationToken) =>
        entries.Where(o => o.State == OutboxState.Dead).ExecuteUpdateAsync(
            set => set.SetProperty(o => o.State, OutboxState.Pending).SetProperty(o => o.NotBefore, (DateTimeOffset?)null)
                .SetProperty(o => o.LeaseUntil, (DateTimeOffset?)null),
            cancellationToken);

    private static async Task<bool> EndAsync(
        TitrationDbContext database, OutboxRow entry, OutboxState state, string problem, CancellationToken cancellationToken) =>
        await Held(database, entry).ExecuteUpdateAsync(
            set => set.SetProperty(o => o.State, state).SetProperty(o => o.Problem, problem)
                .SetProperty(o => o.LeaseUntil, (DateTimeOffset?)null),
            cancellationToken) > 0;

    private static IQueryable<OutboxRow> Held(TitrationDbContext database, OutboxRow entry) =>
        database.Outbox.Where(o => o.Id == entry.Id && o.State == OutboxState.Leased && o.Fence == entry.Fence);
}
