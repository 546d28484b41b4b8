using System.Collections.Immutable;
using Hl7.Fhir.Model;
using Microsoft.EntityFrameworkCore;
using Titration.Fhir.Writing;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using FhirTask = Hl7.Fhir.Model.Task;

namespace Titration.Worker.Delivery;

/// <summary>What is done at the FHIR server for one entry of the outbox. Every step can be repeated.</summary>
public sealed partial class CommunicationDelivery(
    Settings settings, FhirServerClient server, ServerStatement statement, ServiceDevice device, TimeProvider time, ILogger<CommunicationDelivery> logger)
{
    /// <summary>Creates all resources of a communication, each after those it refers to.</summary>
    public async Task<Delivered> IssueAsync(TitrationDbContext database, OutboxRow entry, CancellationToken cancellationToken)
    {
        CommunicationRow? communication = await database.Communications.AsNoTracking().SingleOrDefaultAsync(c => c.Key == entry.CommunicationKey, cancellationToken);
        ImmutableArray<SentResourceRow> already = await database.SentOfAsync(entry.CommunicationKey, cancellationToken);
        bool gone = communication?.State is CommunicationState.Withdrawn or CommunicationState.TakenBack && already.IsEmpty;
        // None: its patient was erased after the entry had been claimed.
        if (communication is null || (gone && entry.Attempts == 1))
        {
            return Delivered.AsDropped;
        }

        (ClinicIdentity? clinic, ServerAnswer? trouble) = await device.EnsureAsync(cancellationToken);
        if (clinic is null)
        {
            return new Delivered(already, trouble);
        }

        if (await OutgoingAsync(database, communication, cancellationToken) is not { } outgoing)
        {
            return Delivered.AsDropped;
        }

        if (gone)
        {
            return await EarlierAttempt.FindAsync(server, entry.CommunicationKey, CommunicationWriter.Write(outgoing, clinic, settings.Policy.Wording), cancellationToken);
        }

        if (outgoing is { Intent.Proposed: not null, Order: { } order })
        {
            ServerAnswer prescription = await server.ReadAsync(order.Type, order.Id, cancellationToken);
            if (prescription is ServerAnswer.Unavailable)
            {
                return new Delivered(already, prescription);
            }

            outgoing = outgoing with { OrderDosage = DosageOf(prescription, order) };
        }

        List<SentResourceRow> held = [.. already];
        Dictionary<string, string> map = new(StringComparer.Ordinal);
        foreach (OutgoingResource resource in CommunicationWriter.Write(outgoing, clinic, settings.Policy.Wording))
        {
            DomainResource resolved = OutgoingReferences.Resolve(resource.Resource, map);
            ServerAnswer answer = resource.IfNoneExist is { } ifNoneExist
                ? await server.CreateOnceAsync(resolved, ifNoneExist, cancellationToken)
                : await WriteProvenanceAsync((Provenance)resolved, resource.PutId!, clinic.DeviceId, cancellationToken);
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

    /// <summary>
    /// Under its derived id; where the server chooses all ids, unless one of ours stands that is about the same: a Provenance has no identifier, but nobody else
    /// writes one by our Device about this communication.
    /// </summary>
    private async Task<ServerAnswer> WriteProvenanceAsync(Provenance provenance, string id, string deviceId, CancellationToken cancellationToken)
    {
        (ServerAbilities? abilities, ServerAnswer? trouble) = await statement.GetAsync(cancellationToken);
        if (abilities is null)
        {
            return trouble!;
        }

        if (abilities.WritingOf("Provenance", "target", "agent") == OwnIdWriting.UpdateAsCreate)
        {
            return await server.PutAsync(provenance, id, cancellationToken);
        }

        // The copy is this call's own; the server chooses the id.
        provenance.Id = null;
        return await server.CreateOnceAsync(provenance, $"target={provenance.Target[0].Reference}&agent=Device/{deviceId}", cancellationToken);
    }

    /// <summary>The prescription's own dosage, so that the clinician sees what was written; null where it is another version, or more than one dosage.</summary>
    private static Dosage? DosageOf(ServerAnswer prescription, ResourceVersion order) =>
        prescription is ServerAnswer.Held { Resource: MedicationRequest { DosageInstruction: [var dosage] }, VersionId: var version } && version == order.VersionId
            ? dosage
            : null;

    /// <summary>What to write, from the decision as it was recorded: a later attempt writes the same. Null where it was erased meanwhile.</summary>
    private async Task<OutgoingCommunication?> OutgoingAsync(TitrationDbContext database, CommunicationRow communication, CancellationToken cancellationToken)
    {
        if (await database.DecisionContents.AsNoTracking().SingleOrDefaultAsync(d => d.DecisionId == communication.DecisionId, cancellationToken) is not { } content)
        {
            return null;
        }

        string policyHash = await database.Decisions.AsNoTracking()
            .Where(d => d.ChainId == content.ChainId && d.Sequence == content.Sequence).Select(d => d.PolicyHash).SingleAsync(cancellationToken);
        Evaluation evaluation = StoredJson.ReadEvaluation(content.Content);
        CommunicationIntent intent = StoredJson.ReadIntent(communication.Intent);
        return OutgoingCommunication.Of(
            evaluation, intent, communication.Key, communication.DecisionId, settings.Policy.Identity, content.InputDigest, policyHash) with
        {
            PatientLanguage = await database.LanguageOfAsync(communication.Patient, cancellationToken),
            Replaces = communication.Replaces is { } replaced
                ? await OtherAsync(database, replaced, OutgoingRole.CommunicationRequest, cancellationToken)
                : null,
            Reminds = intent.Reminds is { } reminds
                && await database.StandingAsync(communication.Patient, communication.CourseId, reminds, cancellationToken) is { } waiting
                ? await OtherAsync(database, waiting, OutgoingRole.Task, cancellationToken)
                : null,
        };
    }

    /// <summary>Null where it never reached the server: nobody could follow the reference.</summary>
    private static async Task<ResourceReference?> OtherAsync(TitrationDbContext database, Guid key, OutgoingRole role, CancellationToken cancellationToken) =>
        (await database.SentOfAsync(key, cancellationToken)).FirstOrDefault(s => s.Role == role.Code()) is { } sent
            ? OutgoingReferences.ToOther(key, role, sent.ServerId)
            : null;

    /// <summary>
    /// The Task first, the rest only if that held: where the clinician has answered meanwhile, nothing of it is revoked. Each change is of
    /// the version just read.
    /// </summary>
    public async Task<Delivered> WithdrawAsync(TitrationDbContext database, OutboxRow entry, CancellationToken cancellationToken)
    {
        ImmutableArray<SentResourceRow> sent = await database.SentOfAsync(entry.CommunicationKey, cancellationToken);
        WithdrawalReason reason = entry.Reason ?? WithdrawalReason.GroundsGone;
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
                    if (there.Resource is FhirTask { Status: FhirTask.TaskStatus.Completed } && entry.Kind == CommunicationKind.StepChange
                        && !await database.KnewAnswerAsync(entry, there.Id, cancellationToken))
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
        ServerAnswer current = await ReadToChangeAsync(resource, cancellationToken);
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
    public async Task<Delivered> ActivateAsync(TitrationDbContext database, OutboxRow entry, CancellationToken cancellationToken)
    {
        ImmutableArray<SentResourceRow> sent = await database.SentOfAsync(entry.CommunicationKey, cancellationToken);
        SentResourceRow? request = sent.FirstOrDefault(s => s.Role == OutgoingRole.CommunicationRequest.Code());
        if (request is null)
        {
            return Delivered.AsDropped;
        }

        ServerAnswer current = await ReadToChangeAsync(request, cancellationToken);
        if (current is ServerAnswer.Missing)
        {
            // Somebody deleted it: nothing can become active, and nothing else of the patient waits for that.
            Log.MissingOnServer(logger, request.ResourceType);
            return new Delivered(sent, null);
        }

        if (current is not ServerAnswer.Held { Resource: CommunicationRequest draft, VersionId: { } version })
        {
            return new Delivered(sent, current);
        }

        CommunicationRequest? active = Withdrawal.Activate(draft, approver: null, time.GetUtcNow());
        ServerAnswer answer = active is null ? current : await server.UpdateAsync(active, version, cancellationToken);
        return new Delivered(sent, answer is ServerAnswer.Held ? null : answer);
    }

    /// <summary>
    /// A resource of ours that is about to be changed. What does not read as one has to be asked for again: taking it for unchangeable would
    /// leave standing what is withdrawn. Without a version nothing can be changed safely, now or later.
    /// </summary>
    private async Task<ServerAnswer> ReadToChangeAsync(SentResourceRow resource, CancellationToken cancellationToken) =>
        await server.ReadAsync(resource.ResourceType, resource.ServerId, cancellationToken) switch
        {
            ServerAnswer.Held { Resource: null } => new ServerAnswer.Unavailable("answer-unreadable", null),
            ServerAnswer.Held { VersionId: null } => new ServerAnswer.Refused(200, "without a version"),
            var answer => answer,
        };

    /// <summary>A Task that nobody answered goes to the pool, in exactly the version just read. One that was answered meanwhile stays.</summary>
    public async Task<Delivered> HandOverAsync(TitrationDbContext database, OutboxRow entry, CancellationToken cancellationToken)
    {
        ImmutableArray<SentResourceRow> sent = await database.SentOfAsync(entry.CommunicationKey, cancellationToken);
        if (sent.FirstOrDefault(s => s.Role == OutgoingRole.Task.Code()) is not { } task)
        {
            return Delivered.AsDropped;
        }

        ServerAnswer answer = await ReadToChangeAsync(task, cancellationToken);
        if (answer is ServerAnswer.Held { Resource: FhirTask current, VersionId: { } version }
            && Withdrawal.HandOver(current, settings.Clinic.Pool, time.GetUtcNow()) is { } changed)
        {
            answer = await server.UpdateAsync(changed, version, cancellationToken);
        }

        if (answer is ServerAnswer.Missing)
        {
            Log.MissingOnServer(logger, task.ResourceType);
        }

        return new Delivered(sent, answer is ServerAnswer.Held or ServerAnswer.Missing ? null : answer);
    }

    private static void Keep(List<SentResourceRow> held, SentResourceRow row)
    {
        held.RemoveAll(h => h.Role == row.Role);
        held.Add(row);
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 3002, Level = LogLevel.Warning, Message = "A {ResourceType} that we wrote is not on the FHIR server any more; it is not issued again.")]
        public static partial void MissingOnServer(ILogger logger, string resourceType);
    }
}
