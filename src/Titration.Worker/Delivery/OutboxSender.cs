using System.Collections.Immutable;
using System.Diagnostics;
using Hl7.Fhir.Model;
using Microsoft.EntityFrameworkCore;
using Titration.Fhir.Writing;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using Titration.Worker.Telemetry;
using FhirTask = Hl7.Fhir.Model.Task;
using Task = System.Threading.Tasks.Task;

namespace Titration.Worker.Delivery;

/// <summary>
/// Takes entries from the outbox and brings the FHIR server to what should stand there. Every write can be repeated: creating is
/// conditional on the identifier, changing on the version.
/// </summary>
public sealed partial class OutboxSender(
    IDbContextFactory<TitrationDbContext> contexts, Settings settings, FhirServerClient server, TimeProvider time, TitrationTelemetry telemetry,
    ILogger<OutboxSender> logger)
{
    private const int Batch = 20;

    /// <summary>Longer than all retries of one entry take together.</summary>
    private static readonly TimeSpan Lease = TimeSpan.FromMinutes(10);
    private static readonly TimeSpan LongestWait = TimeSpan.FromMinutes(5);

    /// <summary>Sends what can be sent now.</summary>
    /// <returns>How many entries were claimed; 0: nothing is waiting.</returns>
    public async Task<int> SendAsync(CancellationToken cancellationToken)
    {
        ImmutableArray<OutboxRow> entries;
        await using (TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken))
        {
            entries = await database.ClaimAsync(time.GetUtcNow(), Lease, Batch, onlySafety: false, cancellationToken);
        }

        foreach (OutboxRow entry in entries)
        {
            await SendAsync(entry, cancellationToken);
        }

        return entries.Length;
    }

    private async Task SendAsync(OutboxRow entry, CancellationToken cancellationToken)
    {
        using Activity? activity = telemetry.Start("deliver", traceParent: entry.TraceParent);
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        Delivered delivered = entry.Action switch
        {
            OutboxAction.Issue => await IssueAsync(database, entry, cancellationToken),
            OutboxAction.Withdraw => await WithdrawAsync(database, entry, cancellationToken),
            OutboxAction.Activate => await ActivateAsync(database, entry, cancellationToken),
        };
        telemetry.Sent(entry.Action.Code(), delivered.Result);
        switch (delivered.Trouble)
        {
            case null when delivered.Dropped:
                await database.DropAsync(entry, "grounds-gone", cancellationToken);
                break;
            case null:
                await database.CompleteAsync(entry, delivered.Held, time.GetUtcNow(), cancellationToken);
                break;
            case ServerAnswer.Refused refused:
                Log.Refused(logger, entry.Kind.Code(), refused.Status, refused.IssueCodes);
                await database.KeepSentAsync(delivered.Held, cancellationToken);
                await database.BuryAsync(entry, $"http-{refused.Status} {refused.IssueCodes}".Trim(), cancellationToken);
                break;
            default:
                await database.KeepSentAsync(delivered.Held, cancellationToken);
                await database.GiveBackAsync(entry, time.GetUtcNow() + WaitOf(delivered.Trouble, entry.Attempts), delivered.Result, cancellationToken);
                break;
        }
    }

    private async Task<Delivered> IssueAsync(TitrationDbContext database, OutboxRow entry, CancellationToken cancellationToken)
    {
        CommunicationRow communication = await database.Communications.AsNoTracking().SingleAsync(c => c.Key == entry.CommunicationKey, cancellationToken);
        ImmutableArray<SentResourceRow> already = await database.SentOfAsync(entry.CommunicationKey, cancellationToken);
        if (communication.State == CommunicationState.Withdrawn && already.IsEmpty)
        {
            return Delivered.AsDropped;
        }

        List<SentResourceRow> held = [.. already];
        Dictionary<string, string> map = new(StringComparer.Ordinal);
        foreach (OutgoingResource resource in await WriteAsync(database, entry, communication, cancellationToken))
        {
            DomainResource resolved = OutgoingReferences.Resolve(resource.Resource, map);
            ServerAnswer answer = resource.IfNoneExist is { } ifNoneExist
                ? await server.CreateOnceAsync(resolved, ifNoneExist, cancellationToken)
                : await server.PutAsync(resolved, resource.PutId!, cancellationToken);
            if (answer is not ServerAnswer.Held there)
            {
                return new Delivered(held, answer);
            }

            map[resource.Placeholder] = $"{resolved.TypeName}/{there.Id}";
            Keep(held, new SentResourceRow
            {
                CommunicationKey = entry.CommunicationKey,
                Role = resource.Role.Code(),
                ResourceType = resolved.TypeName,
                ServerId = there.Id,
                VersionId = there.VersionId,
            });
        }

        return new Delivered(held, null);
    }

    /// <summary>The resources, from the decision as it was recorded: a later attempt writes the same.</summary>
    private async Task<ImmutableArray<OutgoingResource>> WriteAsync(
        TitrationDbContext database, OutboxRow entry, CommunicationRow communication, CancellationToken cancellationToken)
    {
        DecisionContentRow content = await database.DecisionContents.AsNoTracking().SingleAsync(d => d.DecisionId == communication.DecisionId, cancellationToken);
        string policyHash = await database.Decisions.AsNoTracking()
            .Where(d => d.ChainId == content.ChainId && d.Sequence == content.Sequence).Select(d => d.PolicyHash).SingleAsync(cancellationToken);
        Evaluation evaluation = StoredJson.ReadEvaluation(content.Content);
        CommunicationIntent intent = StoredJson.ReadIntent(communication.Intent);
        OutgoingCommunication outgoing = OutgoingCommunication.Of(
            evaluation, intent, entry.CommunicationKey, communication.DecisionId, settings.Policy.Identity, content.InputDigest, policyHash);
        return CommunicationWriter.Write(outgoing, settings.Clinic, settings.Policy.Wording);
    }

    /// <summary>
    /// The Task first, the rest only if that held: where the clinician has answered meanwhile, nothing of it is revoked. Each change is of
    /// the version just read.
    /// </summary>
    private async Task<Delivered> WithdrawAsync(TitrationDbContext database, OutboxRow entry, CancellationToken cancellationToken)
    {
        ImmutableArray<SentResourceRow> sent = await database.SentOfAsync(entry.CommunicationKey, cancellationToken);
        WithdrawalReason reason = entry.Kind == CommunicationKind.CheckInRequest ? WithdrawalReason.Answered : WithdrawalReason.GroundsGone;
        List<SentResourceRow> held = [.. sent];
        foreach (SentResourceRow resource in sent.Where(s => s.Role != OutgoingRole.Provenance.Code()).OrderBy(s => s.Role == OutgoingRole.Task.Code() ? 0 : 1))
        {
            ServerAnswer answer = await WithdrawAsync(resource, reason, cancellationToken);
            switch (answer)
            {
                case ServerAnswer.Held there:
                    Keep(held, new SentResourceRow
                    {
                        CommunicationKey = resource.CommunicationKey,
                        Role = resource.Role,
                        ResourceType = resource.ResourceType,
                        ServerId = resource.ServerId,
                        VersionId = there.VersionId,
                    });
                    if (there.Resource is FhirTask { Status: FhirTask.TaskStatus.Completed } && entry.Kind == CommunicationKind.StepChange)
                    {
                        // The answer decides about the rest; its own message brings it.
                        return new Delivered(held, null);
                    }

                    break;
                case ServerAnswer.Missing:
                    Log.MissingOnServer(logger, resource.ResourceType);
                    break;
                default:
                    return new Delivered(held, answer);
            }
        }

        return new Delivered(held, null);
    }

    private async Task<ServerAnswer> WithdrawAsync(SentResourceRow resource, WithdrawalReason reason, CancellationToken cancellationToken)
    {
        ServerAnswer current = await server.ReadAsync(resource.ResourceType, resource.ServerId, cancellationToken);
        if (current is not ServerAnswer.Held { Resource: { } there, VersionId: { } version } held)
        {
            return current;
        }

        DomainResource? changed = there switch
        {
            FhirTask task => Withdrawal.Cancel(task, reason, time.GetUtcNow()),
            CommunicationRequest request when reason == WithdrawalReason.Answered => Withdrawal.Complete(request),
            CommunicationRequest request => Withdrawal.Revoke(request, reason),
            DetectedIssue issue => Withdrawal.Close(issue, reason),
            Flag flag => Withdrawal.Lower(flag, time.GetUtcNow()),
            _ => null,
        };
        return changed is null ? held : await server.UpdateAsync(changed, version, cancellationToken);
    }

    /// <summary>The draft becomes active, in exactly the version just read: a change by somebody else stands.</summary>
    private async Task<Delivered> ActivateAsync(TitrationDbContext database, OutboxRow entry, CancellationToken cancellationToken)
    {
        ImmutableArray<SentResourceRow> sent = await database.SentOfAsync(entry.CommunicationKey, cancellationToken);
        SentResourceRow? request = sent.FirstOrDefault(s => s.Role == OutgoingRole.CommunicationRequest.Code());
        if (request is null)
        {
            return Delivered.AsDropped;
        }

        ServerAnswer current = await server.ReadAsync(request.ResourceType, request.ServerId, cancellationToken);
        if (current is not ServerAnswer.Held { Resource: CommunicationRequest draft, VersionId: { } version })
        {
            return new Delivered(sent, current);
        }

        CommunicationRequest? active = Withdrawal.Activate(draft, approver: null, time.GetUtcNow());
        ServerAnswer answer = active is null ? current : await server.UpdateAsync(active, version, cancellationToken);
        return new Delivered(sent, answer is ServerAnswer.Held ? null : answer);
    }

    private static void Keep(List<SentResourceRow> held, SentResourceRow row)
    {
        held.RemoveAll(h => h.Role == row.Role);
        held.Add(row);
    }

    /// <summary>What the server asked for, else longer with each attempt.</summary>
    private static TimeSpan WaitOf(ServerAnswer trouble, int attempts)
    {
        TimeSpan own = TimeSpan.FromSeconds(Math.Min(Math.Pow(2, Math.Min(attempts, 10)), LongestWait.TotalSeconds));
        return trouble switch
        {
            ServerAnswer.Unavailable { RetryAfter: { } asked } => asked,
            ServerAnswer.Conflict => TimeSpan.Zero,
            _ => own,
        };
    }

    /// <summary>How a delivery went.</summary>
    private sealed record Delivered(IReadOnlyCollection<SentResourceRow> Held, ServerAnswer? Trouble, bool Dropped = false)
    {
        public static readonly Delivered AsDropped = new([], null, Dropped: true);

        public string Result => Trouble switch
        {
            null => Dropped ? "dropped" : "sent",
            ServerAnswer.Unavailable unavailable => unavailable.Reason,
            ServerAnswer.Conflict => "conflict",
            ServerAnswer.Refused => "refused",
            _ => "missing",
        };
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 3001, Level = LogLevel.Error, Message = "The FHIR server refused a {Kind} for good: HTTP {Status} {IssueCodes}. It is kept as a dead letter.")]
        public static partial void Refused(ILogger logger, string kind, int status, string issueCodes);

        [LoggerMessage(EventId = 3002, Level = LogLevel.Warning, Message = "A {ResourceType} that we wrote is not on the FHIR server any more; it is not issued again.")]
        public static partial void MissingOnServer(ILogger logger, string resourceType);
    }
}

/// <summary>Sends as long as the service runs.</summary>
public sealed partial class OutboxDelivery(OutboxSender sender, OutboxSignal signal, TimeProvider time, ILogger<OutboxDelivery> logger) : BackgroundService
{
    private static readonly TimeSpan Idle = TimeSpan.FromSeconds(2);

    protected override async Task ExecuteAsync(CancellationToken stoppingToken)
    {
        while (!stoppingToken.IsCancellationRequested)
        {
            int sent = 0;
            try
            {
                sent = await sender.SendAsync(stoppingToken);
            }
            catch (Exception problem) when (problem is not OperationCanceledException)
            {
                // The entries stay leased and come again; nothing was acknowledged.
                Log.Failed(logger, problem.GetType().Name);
            }

            if (sent == 0)
            {
                await signal.WaitAsync(Idle, time, stoppingToken);
            }
        }
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 3003, Level = LogLevel.Error, Message = "Delivery failed ({Problem}); it goes on with the next attempt.")]
        public static partial void Failed(ILogger logger, string problem);
    }
}
