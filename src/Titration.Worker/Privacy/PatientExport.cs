using System.Text.Json;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Worker.Privacy;

/// <summary>Everything held of a patient, as one JSON document.</summary>
internal static class PatientExport
{
    /// <param name="database">The database.</param>
    /// <param name="patient">The logical id.</param>
    /// <param name="errorQueues">Bodies of the patient's messages in the broker's error queues.</param>
    /// <param name="at">Now.</param>
    /// <param name="cancellationToken">Ends it.</param>
    public static async Task<object> OfAsync(
        TitrationDbContext database, string patient, IReadOnlyList<byte[]> errorQueues, DateTimeOffset at, CancellationToken cancellationToken)
    {
        SetAside setAside = await database.SetAsideOfAsync(patient, PatientTelling.Of(patient), cancellationToken);
        List<FactRow> facts = await database.Facts.AsNoTracking().Where(f => f.Patient == patient).OrderBy(f => f.Sequence).ToListAsync(cancellationToken);
        List<CourseRow> courses = await database.Courses.AsNoTracking().Where(c => c.Patient == patient).OrderBy(c => c.Ingredient).ThenBy(c => c.Area).ToListAsync(cancellationToken);
        List<ChainEntry> decisions = await database.DecisionsOf(patient).ToListAsync(cancellationToken);
        List<CommunicationRow> communications = await database.Communications.AsNoTracking().Where(c => c.Patient == patient).OrderBy(c => c.OpenedAt).ToListAsync(cancellationToken);
        ILookup<Guid, SentResourceRow> sent = (await database.SentResources.AsNoTracking()
            .Where(s => database.Communications.Any(c => c.Key == s.CommunicationKey && c.Patient == patient)).ToListAsync(cancellationToken)).ToLookup(s => s.CommunicationKey);
        List<OutboxRow> outbox = await database.Outbox.AsNoTracking().Where(o => o.Patient == patient).OrderBy(o => o.Sequence).ToListAsync(cancellationToken);
        List<QuarantineRow> quarantine = await database.Quarantine.AsNoTracking().Where(q => setAside.Quarantine.Contains(q.Id)).OrderBy(q => q.Id).ToListAsync(cancellationToken);
        List<WaitingRow> waiting = await database.Waiting.AsNoTracking().Where(w => setAside.Waiting.Contains(w.Id)).OrderBy(w => w.Id).ToListAsync(cancellationToken);
        return new
        {
            exportedAt = at,
            patient,
            facts = facts.Select(f => new
            {
                f.Sequence,
                f.ReceivedAt,
                f.TraceParent,
                fact = Json(f.Content),
                chain = new { hash = Convert.ToHexStringLower(f.Hash), salt = Convert.ToHexStringLower(f.Salt), content = Convert.ToBase64String(f.Content) },
            }),
            courses = courses.Select(c => new
            {
                c.Id,
                c.Ingredient,
                c.Area,
                outcome = c.Outcome?.Code(),
                c.Step,
                c.StepSince,
                c.NextLook,
                c.EvaluatedAt,
                c.PolicyHash,
                evaluation = Json(c.Evaluation),
            }),
            decisions = decisions.Where(d => d.Content is not null).Select(d => DecisionOf(d.Decision, d.Content!)),
            communications = communications.Select(c => new
            {
                c.Key,
                c.CourseId,
                kind = c.Kind.Code(),
                c.Cause,
                state = c.State.Code(),
                c.OpenedAt,
                openedBy = c.DecisionId,
                c.ClosedBy,
                c.Replaces,
                c.OverdueSince,
                intent = Json(c.Intent),
                onFhirServer = sent[c.Key].Select(s => new { s.Role, resource = $"{s.ResourceType}/{s.ServerId}", s.VersionId }),
            }),
            outbox = outbox.Select(o => new
            {
                o.Sequence,
                action = o.Action.Code(),
                kind = o.Kind.Code(),
                o.CommunicationKey,
                o.DecisionId,
                state = o.State.Code(),
                reason = o.Reason?.Code(),
                o.Attempts,
                o.Problem,
                o.NotBefore,
                o.CreatedAt,
                o.SentAt,
                o.TraceParent,
            }),
            quarantine = quarantine.Select(q => new
            {
                q.Id,
                q.Source,
                q.Reason,
                q.Path,
                q.Problem,
                state = q.State.Code(),
                q.ReceivedAt,
                q.LastReceivedAt,
                q.Count,
                content = Message(q.Content),
            }),
            waiting = waiting.Select(w => new { w.Id, reason = w.Reason.Code(), wanted = Json(System.Text.Encoding.UTF8.GetBytes(w.Wanted)), w.ReceivedAt, w.Attempts, content = Message(w.Content) }),
            errorQueues = errorQueues.Select(Message),
        };
    }

    /// <summary>With all that goes into its hashes, so that whoever has the document can verify it by itself.</summary>
    private static object DecisionOf(DecisionRow decision, DecisionContentRow content) => new
    {
        content.DecisionId,
        decision.Sequence,
        decision.DecidedAt,
        outcome = content.Outcome?.Code(),
        content.Rule,
        content.CourseId,
        content.InputDigest,
        content.FactSequence,
        decision.PolicyHash,
        evaluation = Json(content.Content),
        chain = new
        {
            decision.ChainId,
            previousHash = Convert.ToHexStringLower(decision.PreviousHash),
            contentDigest = Convert.ToHexStringLower(decision.ContentDigest),
            hash = Convert.ToHexStringLower(decision.Hash),
            salt = Convert.ToHexStringLower(content.Salt),
            factHead = Convert.ToHexStringLower(content.FactHead),
            content = Convert.ToBase64String(content.Content),
        },
    };

    /// <summary>A message as JSON where it is some, else its bytes in base64.</summary>
    private static object Message(byte[] content)
    {
        try
        {
            return Json(content);
        }
        catch (JsonException)
        {
            return new { base64 = Convert.ToBase64String(content) };
        }
    }

    private static JsonElement Json(byte[] utf8) => JsonSerializer.Deserialize<JsonElement>(utf8);
}
