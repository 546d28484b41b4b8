using System.Collections.Immutable;
using System.Diagnostics;
using System.Security.Cryptography;
using System.Text;
using Microsoft.EntityFrameworkCore;
using Titration.Fhir.Reading;
using Titration.Protocol.Courses;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Intake;

/// <summary>From the bytes of a message to facts, decisions and what could not be read: all in one transaction, acknowledged after it.</summary>
public sealed class IntakeHandler(
    IDbContextFactory<TitrationDbContext> contexts, Settings settings, References references, IntakeCommit commit, TimeProvider time,
    TitrationTelemetry telemetry)
{
    private static readonly TimeSpan LongestAhead = TimeSpan.FromHours(24);

    private readonly FhirReader _reader = new(settings.Policy.Vocabulary);

    /// <summary>Takes in one message: a resource or a Bundle. A Bundle fails entry by entry.</summary>
    /// <param name="body">The bytes as received.</param>
    /// <param name="source"><c>queue</c>, <c>http</c>, <c>waiting</c> or <c>retry</c>.</param>
    /// <param name="traceParent">The producer's trace; null where it sent none.</param>
    /// <param name="alongside">What else belongs into the transaction that takes all of it in: left out where part of it has to wait. Null: nothing.</param>
    /// <param name="cancellationToken">Ends it before anything is kept.</param>
    public Task<ImmutableArray<IntakeResult>> HandleAsync(
        ReadOnlyMemory<byte> body, string source, string? traceParent, Func<TitrationDbContext, Task>? alongside, CancellationToken cancellationToken) =>
        HandleAsync([body], source, traceParent, alongside, cancellationToken);

    /// <summary>Takes in several messages as one: all of them in one transaction, and each patient is decided about once.</summary>
    /// <param name="bodies">The bytes of each.</param>
    /// <param name="source">Also <c>backfill</c> and <c>poll</c>.</param>
    /// <param name="traceParent">As for one.</param>
    /// <param name="alongside">As for one.</param>
    /// <param name="cancellationToken">Ends it before anything is kept.</param>
    public async Task<ImmutableArray<IntakeResult>> HandleAsync(
        IReadOnlyCollection<ReadOnlyMemory<byte>> bodies, string source, string? traceParent, Func<TitrationDbContext, Task>? alongside, CancellationToken cancellationToken)
    {
        using Activity? activity = telemetry.Receive(source, bodies.Sum(b => b.Length), traceParent);
        DateTimeOffset receivedAt = time.GetUtcNow();
        SortedMessage message = new(source, receivedAt, activity?.Id ?? traceParent, alongside);
        foreach (ResourceReading reading in bodies.SelectMany(body => _reader.Read(body)))
        {
            await SortAsync(reading, message, cancellationToken);
        }

        await AddPatientsAsync(message, cancellationToken);
        await commit.TakeInAsync(message, cancellationToken);
        telemetry.Decided(time.GetUtcNow() - receivedAt);
        foreach (IntakeResult result in message.Results)
        {
            telemetry.Inbound(result.Resource.Split('/')[0], result.Disposition);
        }

        return [.. message.Results];
    }

    private async Task SortAsync(ResourceReading reading, SortedMessage message, CancellationToken cancellationToken)
    {
        switch (reading)
        {
            case ResourceReading.Understood understood when IsAhead(understood.Fact, settings.Policy.Zone, message.ReceivedAt):
                message.Quarantine(understood, "future", "", "It is dated more than 24 hours ahead: correct the date and send it again.");
                break;
            case ResourceReading.Understood understood:
                message.TakeIn(understood);
                break;
            case ResourceReading.Skipped skipped:
                await RemoveAsync(skipped.Header, message, cancellationToken);
                message.Skip(skipped);
                break;
            case ResourceReading.Deleted deleted:
                await DeleteAsync(deleted.Header, message, cancellationToken);
                break;
            case ResourceReading.Refused refused:
                message.Quarantine(refused, "unreadable", refused.Path, refused.Problem);
                break;
            case ResourceReading.Unmapped unmapped:
                message.Park(unmapped);
                break;
            case ResourceReading.Incomplete incomplete:
                await FetchAsync(incomplete, message, cancellationToken);
                break;
            case ResourceReading.Own { Answer: { } answer } own:
                await AnswerAsync(own, answer, message, cancellationToken);
                break;
            case ResourceReading.Own own:
                message.Say(own.Header, "skipped", "one of this service's own resources, and no answer");
                break;
        }
    }

    /// <summary>Whether a fact is dated so far ahead that the date must be wrong.</summary>
    internal static bool IsAhead(Fact fact, TimeZoneInfo zone, DateTimeOffset now) => LongestAhead < fact switch
    {
        ObservationFact observation => observation.Effective.StartIn(zone) - now,
        PrescriptionFact order => order.AuthoredOn.StartIn(zone) - now,
        _ => TimeSpan.Zero,
    };

    /// <summary>A deletion may overtake what it deletes, or come in one message with it: one that finds nothing waits for a while.</summary>
    private async Task DeleteAsync(ResourceHeader header, SortedMessage message, CancellationToken cancellationToken)
    {
        if (header is { Type: "Task" or "CommunicationRequest", Id: { } own })
        {
            await DeletedOwnAsync(header, own, message, cancellationToken);
        }
        else if (await RemoveAsync(header, message, cancellationToken))
        {
            message.Say(header, "taken-in", "deleted or entered in error");
        }
        else if (IsTreatment(header))
        {
            message.WaitForDeleted(header);
        }
        else
        {
            message.Say(header, "skipped", "deleted or entered in error");
        }
    }

    private static bool IsTreatment(ResourceHeader header) => header is { Type: "Observation" or "MedicationRequest", Id: not null };

    /// <summary>
    /// What was known under this id counts as entered in error: it was deleted, or its newest version says nothing of a treatment
    /// any more.
    /// </summary>
    /// <returns>False where nothing was known.</returns>
    private async Task<bool> RemoveAsync(ResourceHeader header, SortedMessage message, CancellationToken cancellationToken)
    {
        if (!IsTreatment(header))
        {
            return false;
        }

        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        ImmutableArray<string> patients = await database.PatientsOfAsync(header.Type!, header.Id!, cancellationToken);
        foreach (string patient in patients)
        {
            PatientHistory history = await database.HistoryOfAsync(patient, long.MaxValue, cancellationToken);
            Fact known = history.Facts.Last(f => f.Source.Type == header.Type && f.Source.Id == header.Id);
            message.TakeIn(Removal.Of(known, header, message.ReceivedAt));
        }

        return !patients.IsEmpty;
    }

    /// <summary>
    /// A clinician answered a Task of ours, or somebody ended a message of ours. It is known by the id that the server gave it; where that was
    /// not recorded yet, the answer waits.
    /// </summary>
    private async Task AnswerAsync(ResourceReading.Own own, OwnAnswer answer, SortedMessage message, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        if (await database.CommunicationOfAsync(own.Header.Type!, own.Header.Id!, cancellationToken) is not { } communication)
        {
            message.Wait(new ResourceReading.Incomplete(own.Header, own.Bytes, [$"{own.Header.Type}/{own.Header.Id}"]));
            return;
        }

        message.TakeIn(AnswerTo(communication, own.Header, answer, message.ReceivedAt));
        message.Say(own.Header, "taken-in", answer.Answer.Code(), [communication.Patient]);
    }

    /// <summary>Somebody deleted what we wrote: as good as cancelled, unless we had withdrawn it before.</summary>
    private async Task DeletedOwnAsync(ResourceHeader header, string id, SortedMessage message, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        if (await database.CommunicationOfAsync(header.Type!, id, cancellationToken) is { State: not (CommunicationState.Withdrawn or CommunicationState.TakenBack) } communication)
        {
            string content = Convert.ToHexStringLower(SHA256.HashData(Encoding.UTF8.GetBytes($"deleted {header.Type}/{id}")));
            message.TakeIn(AnswerTo(communication, header, new OwnAnswer(TaskAnswer.Declined, header.LastUpdated, null, content), message.ReceivedAt));
            message.Say(header, "taken-in", "deleted by somebody: counts as cancelled", [communication.Patient]);
        }
        else
        {
            message.Say(header, "skipped", "deleted, and nothing of it stands");
        }
    }

    private static AnswerFact AnswerTo(CommunicationRow communication, ResourceHeader header, OwnAnswer answer, DateTimeOffset receivedAt) => new()
    {
        Source = new ResourceVersion(header.Type!, header.Id!, header.VersionId, header.LastUpdated, answer.ContentHash),
        Patient = communication.Patient,
        Communication = communication.Key,
        Course = communication.CourseId,
        Kind = communication.Kind,
        Cause = communication.Cause,
        ProposedAt = communication.OpenedAt,
        Proposed = StoredJson.ReadIntent(communication.Intent).Proposed,
        Answer = answer.Answer,
        At = answer.At is { } at && at < receivedAt ? at : receivedAt,
        Reason = answer.Reason,
    };

    /// <summary>Fetches what a resource refers to. Where the server cannot be asked now, the resource waits and is acknowledged.</summary>
    private async Task FetchAsync(ResourceReading.Incomplete incomplete, SortedMessage message, CancellationToken cancellationToken)
    {
        string reference = incomplete.References[0];
        bool namesMedication = reference.StartsWith("Medication/", StringComparison.Ordinal);
        if (!namesMedication)
        {
            // Only a name came, within a Bundle. By itself it has to be a whole message again.
            incomplete = new ResourceReading.Incomplete(
                incomplete.Header, References.Notification(incomplete.Header.Type!, incomplete.Header.Id!), incomplete.References);
        }

        Fetched fetched = await references.FetchAsync(reference, cancellationToken);
        switch (fetched)
        {
            case Fetched.Unreachable:
                message.Wait(incomplete);
                break;
            case Fetched.Refused refused:
                message.Quarantine(incomplete, "reference-refused", "", $"The FHIR server does not give {reference.Split('/')[0]} resources that are named: HTTP {refused.Status}.");
                break;
            case Fetched.Missing when namesMedication:
                message.Quarantine(incomplete, "reference-missing", "MedicationRequest.medicationReference", "The Medication is not on the FHIR server.");
                break;
            case Fetched.Missing { Gone: true }:
                await DeleteAsync(incomplete.Header, message, cancellationToken);
                break;
            case Fetched.Missing:
                message.Say(incomplete.Header, "skipped", "not on the FHIR server");
                break;
            case Fetched.Found found when namesMedication:
                await SortAsync(_reader.Read(incomplete.Bytes, found.Utf8), message, cancellationToken);
                break;
            case Fetched.Found found:
                foreach (ResourceReading reading in _reader.Read(found.Utf8))
                {
                    await SortAsync(reading, message, cancellationToken);
                }

                break;
        }
    }

    /// <summary>
    /// Birth date and language come from the Patient on the FHIR server when a patient's first order is seen. Where the server has none, the
    /// age stays unknown and nothing is stepped up without a question.
    /// </summary>
    private async Task AddPatientsAsync(SortedMessage message, CancellationToken cancellationToken)
    {
        HashSet<string> brought = [.. message.Facts.Where(f => f.Fact is PatientFact).Select(f => f.Fact.Patient)];
        string[] patients =
        [
            .. message.Facts.Where(f => f.Fact is PrescriptionFact { Product.Role: ProductRole.Titrated }).Select(f => f.Fact.Patient)
                .Distinct(StringComparer.Ordinal).Where(p => !brought.Contains(p)),
        ];
        foreach (string patient in patients)
        {
            await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
            if ((await database.PatientsOfAsync("Patient", patient, cancellationToken)).IsEmpty)
            {
                ResourceHeader header = new("Patient", patient, null, null);
                await FetchAsync(new ResourceReading.Incomplete(header, References.Notification("Patient", patient), [$"Patient/{patient}"]), message, cancellationToken);
            }
        }
    }
}
