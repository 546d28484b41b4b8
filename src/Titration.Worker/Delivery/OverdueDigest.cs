using Microsoft.EntityFrameworkCore;
using Titration.Fhir.Writing;
using Titration.Protocol.Communications;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using FhirTask = Hl7.Fhir.Model.Task;

namespace Titration.Worker.Delivery;

/// <summary>
/// One task a week at most for what the clinic's pool leaves unanswered. It needs no outbox: its identifier is the date, what it says is counted
/// when it is written, and what did not work is tried with the next sweep.
/// </summary>
public sealed class OverdueDigest(
    IDbContextFactory<TitrationDbContext> contexts, Settings settings, ServiceDevice device, FhirServerClient server, TimeProvider time)
{
    public async Task RunAsync(CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        DateTimeOffset now = time.GetUtcNow();
        DateOnly today = ClinicZone.DateOf(now, settings.Policy.Zone);
        if (settings.Clinic.Calendar.IsClosed(today) || await database.ModeAsync(cancellationToken) != OperatingMode.Live)
        {
            return;
        }

        List<DateTimeOffset> waiting = await database.Communications
            .Where(c => c.OverdueSince != null && c.State == CommunicationState.Standing
                // What is still its prescriber's is not counted.
                && !database.Outbox.Any(o => o.CommunicationKey == c.Key && o.Action == OutboxAction.HandOver && (o.State == OutboxState.Pending || o.State == OutboxState.Leased)))
            .Select(c => c.OverdueSince!.Value).ToListAsync(cancellationToken);
        List<DigestRow> open = await database.Digests.Where(d => d.IsOpen).OrderBy(d => d.Date).ToListAsync(cancellationToken);
        if (waiting.Count == 0)
        {
            await CloseAsync(database, open, WithdrawalReason.Answered, cancellationToken);
            return;
        }

        DateOnly last = await database.Digests.MaxAsync(d => (DateOnly?)d.Date, cancellationToken) ?? DateOnly.MinValue;
        DateOnly since = ClinicZone.DateOf(waiting.Min(), settings.Policy.Zone);
        DateOnly due = (last > since ? last : since).AddDays(settings.Policy.Protocol.Deadlines.DigestEveryDays);
        if (today < due || await WriteAsync(waiting, now, cancellationToken) is not { } written)
        {
            return;
        }

        await CloseAsync(database, open, WithdrawalReason.Superseded, cancellationToken);
        database.Digests.Add(new DigestRow { Date = today, ServerId = written.Id, IsOpen = true });
        await database.SaveChangesAsync(cancellationToken);
    }

    private async Task<ServerAnswer.Held?> WriteAsync(List<DateTimeOffset> waiting, DateTimeOffset now, CancellationToken cancellationToken)
    {
        (ClinicIdentity? clinic, _) = await device.EnsureAsync(cancellationToken);
        if (clinic is null)
        {
            return null;
        }

        OutgoingResource digest = DigestWriter.Write(
            clinic, settings.Policy.Wording.In(clinic.Language), waiting.Count, waiting.Min(), now);
        return await server.CreateOnceAsync(digest.Resource, digest.IfNoneExist!, cancellationToken) as ServerAnswer.Held;
    }

    private async Task CloseAsync(TitrationDbContext database, List<DigestRow> open, WithdrawalReason reason, CancellationToken cancellationToken)
    {
        foreach (DigestRow digest in open)
        {
            ServerAnswer answer = await server.ReadAsync("Task", digest.ServerId, cancellationToken);
            if (answer is ServerAnswer.Held { Resource: FhirTask task, VersionId: { } version }
                && Withdrawal.Cancel(task, reason, time.GetUtcNow()) is { } cancelled)
            {
                answer = await server.UpdateAsync(cancelled, version, cancellationToken);
            }

            digest.IsOpen = answer is not (ServerAnswer.Held or ServerAnswer.Missing);
        }

        await database.SaveChangesAsync(cancellationToken);
    }
}
