using System.Collections.Immutable;
using System.Diagnostics;
using Microsoft.EntityFrameworkCore;
using Titration.Fhir.Reading;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Intake;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using Titration.Worker.Deciding;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Intake;

/// <summary>What became of one resource of a message.</summary>
/// <param name="Resource"><c>Type/id</c> as far as it could be read.</param>
/// <param name="Disposition"><c>taken-in</c>, <c>skipped</c>, <c>quarantined</c>, <c>waiting</c>.</param>
/// <param name="Reason">Why, where it was not taken in.</param>
public sealed record IntakeResult(string Resource, string Disposition, string? Reason);

/// <summary>From the bytes of a message to facts, decisions and what could not be read: all in one transaction, acknowledged after it.</summary>
public sealed class IntakeHandler(
    IDbContextFactory<TitrationDbContext> contexts, Settings settings, References references, PatientDecisions decisions, TimeProvider time,
    TitrationTelemetry telemetry)
{
    private static readonly TimeSpan RetryWaiting = TimeSpan.FromMinutes(1);

    private readonly FhirReader _reader = new(settings.Policy.Vocabulary);

    /// <summary>Takes in one message: a resource or a Bundle. A Bundle fails entry by entry.</summary>
    public async Task<ImmutableArray<IntakeResult>> HandleAsync(
        ReadOnlyMemory<byte> body, string source, string? traceParent, CancellationToken cancellationToken)
    {
        using Activity? activity = telemetry.Start("process titration.inbound", ActivityKind.Consumer, traceParent);
        DateTimeOffset receivedAt = time.GetUtcNow();
        Intake intake = new(source, receivedAt, activity?.Id ?? traceParent);
        foreach (Reading reading in _reader.Read(body))
        {
            await SortAsync(reading, intake, cancellationToken);
        }

        await AddPatientsAsync(intake, cancellationToken);
        await decisions.TakeInAsync(intake.Facts, intake.KeepAsync, cancellationToken);
        telemetry.Decided(time.GetUtcNow() - receivedAt);
        foreach (IntakeResult result in intake.Results)
        {
            telemetry.Inbound(result.Resource.Split('/')[0], result.Disposition);
        }

        return [.. intake.Results];
    }

    private async Task SortAsync(Reading reading, Intake intake, CancellationToken cancellationToken)
    {
        switch (reading)
        {
            case Reading.Understood understood:
                Understood(understood, intake);
                break;
            case Reading.Deleted deleted:
                await DeletedAsync(deleted, intake, cancellationToken);
                break;
            case Reading.Skipped skipped:
                intake.Results.Add(new IntakeResult(skipped.Resource, "skipped", skipped.Reason));
                break;
            case Reading.Refused refused:
                intake.Quarantine(refused);
                break;
            case Reading.Unmapped unmapped:
                intake.Park(unmapped);
                break;
            case Reading.Incomplete incomplete:
                await FetchAsync(incomplete, intake, cancellationToken);
                break;
        }
    }

    private static void Understood(Reading.Understood understood, Intake intake)
    {
        TimeSpan ahead = understood.Fact switch
        {
            ObservationFact { Effective.Instant: { } at } => at - intake.ReceivedAt,
            PrescriptionFact { AuthoredOn.Instant: { } at } => at - intake.ReceivedAt,
            _ => TimeSpan.Zero,
        };
        if (ahead > TimeSpan.FromHours(24))
        {
            intake.Quarantine(understood, "future", "is dated more than 24 hours ahead; correct the date and send it again");
            return;
        }

        intake.Add(understood);
    }

    private async Task DeletedAsync(Reading.Deleted deleted, Intake intake, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        foreach (string patient in await database.PatientsOfAsync(deleted.ResourceType, deleted.Id, cancellationToken))
        {
            foreach (Fact fact in (await database.HistoryOfAsync(patient, long.MaxValue, cancellationToken)).Facts)
            {
                if (fact.Source.Type == deleted.ResourceType && fact.Source.Id == deleted.Id && deleted.Removes(fact, intake.ReceivedAt) is { } removal)
                {
                    intake.Facts.Add(new ReceivedFact(removal, intake.ReceivedAt, intake.TraceParent));
                    break;
                }
            }
        }

        intake.Results.Add(new IntakeResult($"{deleted.ResourceType}/{deleted.Id}", "taken-in", "deleted"));
    }

    /// <summary>Fetches what a resource refers to. Where the server cannot be asked now, the resource waits and is acknowledged.</summary>
    private async Task FetchAsync(Reading.Incomplete incomplete, Intake intake, CancellationToken cancellationToken)
    {
        FetchedReferences fetched = await references.FetchAsync(incomplete, cancellationToken);
        if (fetched.Unreachable)
        {
            intake.Wait(incomplete, intake.ReceivedAt + RetryWaiting);
            return;
        }

        foreach (Reading reading in fetched.Complete(incomplete, _reader))
        {
            if (reading is Reading.Incomplete)
            {
                intake.Wait(incomplete, intake.ReceivedAt + RetryWaiting);
            }
            else
            {
                await SortAsync(reading, intake, cancellationToken);
            }
        }
    }

    /// <summary>Birth date and language come from the Patient on the FHIR server when a patient is first seen.</summary>
    private async Task AddPatientsAsync(Intake intake, CancellationToken cancellationToken)
    {
        string[] patients =
        [
            .. intake.Facts.Where(f => f.Fact is PrescriptionFact { Product.Role: ProductRole.Titrated }).Select(f => f.Fact.Patient)
                .Except(intake.Facts.Where(f => f.Fact is PatientFact).Select(f => f.Fact.Patient), StringComparer.Ordinal),
        ];
        foreach (string patient in patients)
        {
            await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
            if ((await database.PatientsOfAsync("Patient", patient, cancellationToken)).IsEmpty)
            {
                await FetchAsync(Reading.Incomplete.Of($"Patient/{patient}"), intake, cancellationToken);
            }
        }
    }

    /// <summary>The messages' parts as they are sorted.</summary>
    private sealed class Intake(string source, DateTimeOffset receivedAt, string? traceParent)
    {
        private readonly List<Func<TitrationDbContext, Task>> _kept = [];

        public DateTimeOffset ReceivedAt => receivedAt;

        public string? TraceParent => traceParent;

        public List<ReceivedFact> Facts { get; } = [];

        public List<IntakeResult> Results { get; } = [];

        public async Task KeepAsync(TitrationDbContext database)
        {
            foreach (Func<TitrationDbContext, Task> keep in _kept)
            {
                await keep(database);
            }
        }

        public void Add(Reading.Understood understood)
        {
            Facts.Add(new ReceivedFact(understood.Fact, receivedAt, traceParent));
            NoteUnmapped(understood.UnmappedCodes, understood.Fact.Source.Type);
            Results.Add(new IntakeResult($"{understood.Fact.Source.Type}/{understood.Fact.Source.Id}", "taken-in", null));
        }

        public void Quarantine(Reading.Refused refused) => Quarantine(refused, "unreadable", refused.Path, refused.Problem);

        public void Quarantine(Reading reading, string reason, string problem) => Quarantine(reading, reason, "", problem);

        public void Park(Reading.Unmapped unmapped)
        {
            NoteUnmapped(unmapped.Codes, unmapped.Resource.Split('/')[0]);
            _kept.Add(database => database.KeepWaitingAsync(
                new WaitingResource(unmapped.Content.ToArray(), WaitingReason.Unmapped, [.. unmapped.Codes.Select(c => c.ToString())], null, traceParent),
                receivedAt, notBefore: null, CancellationToken.None));
            Results.Add(new IntakeResult(unmapped.Resource, "waiting", $"no mapping knows {string.Join(", ", unmapped.Codes)}"));
        }

        public void Wait(Reading.Incomplete incomplete, DateTimeOffset notBefore)
        {
            _kept.Add(database => database.KeepWaitingAsync(
                new WaitingResource(incomplete.Content.ToArray(), WaitingReason.ReferenceMissing, incomplete.References, null, traceParent),
                receivedAt, notBefore, CancellationToken.None));
            Results.Add(new IntakeResult(incomplete.Resource, "waiting", $"{string.Join(", ", incomplete.References)} cannot be fetched now"));
        }

        private void Quarantine(Reading reading, string reason, string path, string problem)
        {
            _kept.Add(database => database.QuarantineAsync(
                new UnreadableMessage(reading.Content.ToArray(), source, reason, path, problem, Patient: null), receivedAt, CancellationToken.None));
            Results.Add(new IntakeResult(reading.Resource, "quarantined", path.Length == 0 ? problem : $"{path}: {problem}"));
        }

        private void NoteUnmapped(ImmutableArray<SystemCode> codes, string resourceType)
        {
            foreach (SystemCode code in codes)
            {
                _kept.Add(database => database.NoteUnmappedAsync(code.System, code.Code, resourceType, receivedAt, CancellationToken.None));
            }
        }
    }
}
