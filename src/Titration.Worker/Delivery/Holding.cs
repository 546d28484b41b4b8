using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Communications;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Model;
using Titration.Worker.Configuration;

namespace Titration.Worker.Delivery;

/// <summary>
/// Until when an entry that may wait is held back. It is asked at the moment of sending, so that it holds after days of outage too, and what has lost its
/// grounds meanwhile never leaves.
/// </summary>
public sealed class Holding(Settings settings)
{
    private TimeZoneInfo Zone => settings.Policy.Zone;

    /// <summary>Null: it may leave.</summary>
    public async Task<DateTimeOffset?> UntilAsync(TitrationDbContext database, OutboxRow entry, DateTimeOffset now, CancellationToken cancellationToken) => entry switch
    {
        { Action: OutboxAction.HandOver } => await HandOverAsync(database, entry, now, cancellationToken),
        { Kind: CommunicationKind.StepChange, Action: OutboxAction.Issue } => await ProposalAsync(database, entry, now, cancellationToken),
        { Kind: CommunicationKind.ClinicTask } => Reminder(now),
        _ => await MessageAsync(database, entry, now, cancellationToken),
    };

    /// <summary>In the first weeks a clinic gets so many proposals a day and no more. One that was withdrawn does not wait: it is dropped.</summary>
    private async Task<DateTimeOffset?> ProposalAsync(TitrationDbContext database, OutboxRow entry, DateTimeOffset now, CancellationToken cancellationToken)
    {
        RampInOptions ramp = settings.Options.RampIn;
        DateOnly today = ClinicZone.DateOf(now, Zone);
        bool limited = ramp.ProposalsPerDay > 0
            && await database.LiveSinceAsync(cancellationToken) is { } since && today < ClinicZone.DateOf(since, Zone).AddDays(ramp.Days)
            && !await database.Communications.AnyAsync(c => c.Key == entry.CommunicationKey && (c.State == CommunicationState.Withdrawn || c.State == CommunicationState.TakenBack), cancellationToken)
            && !await database.LetProposalLeaveAsync(entry, ClinicZone.StartOf(today, Zone), ramp.ProposalsPerDay, cancellationToken);
        return limited ? ClinicZone.StartOf(settings.Clinic.Calendar.OpenFrom(today.AddDays(1)), Zone) : null;
    }

    /// <summary>
    /// A routine task stays with its prescriber until they have had the time in which they would have answered a reminder: after shadow mode, or days of
    /// outage, the pool does not get what nobody has seen.
    /// </summary>
    private async Task<DateTimeOffset?> HandOverAsync(TitrationDbContext database, OutboxRow entry, DateTimeOffset now, CancellationToken cancellationToken)
    {
        DateTimeOffset? reached = await database.Outbox
            .Where(o => o.CommunicationKey == entry.CommunicationKey && o.Action == OutboxAction.Issue && o.State == OutboxState.Sent).MinAsync(o => o.SentAt, cancellationToken);
        return reached?.AddDays(settings.Policy.Protocol.Deadlines.PoolAfterRoutineDays) is { } until && until > now ? until : null;
    }

    /// <summary>The task that it reminds of is due on the next open day, at this time.</summary>
    private DateTimeOffset? Reminder(DateTimeOffset now) =>
        settings.Clinic.Calendar.Moved(now, Zone) is var open && open > now ? open : null;

    /// <summary>Quiet hours, and the messages that this patient has had today.</summary>
    private async Task<DateTimeOffset?> MessageAsync(TitrationDbContext database, OutboxRow entry, DateTimeOffset now, CancellationToken cancellationToken)
    {
        int today = await database.CountPacedSinceAsync(entry.Patient, ClinicZone.StartOf(ClinicZone.DateOf(now, Zone), Zone), cancellationToken);
        return settings.Messages.HeldUntil(now, Zone, today);
    }
}
