using System.Collections.Immutable;
using Titration.Fhir.Reading;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Intake;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Worker.Intake;

/// <summary>What became of one resource of a message.</summary>
/// <param name="Resource"><c>Type/id</c> as far as it could be read.</param>
/// <param name="Disposition"><c>taken-in</c>, <c>skipped</c>, <c>quarantined</c> or <c>waiting</c>.</param>
/// <param name="Reason">Why, where it was not simply taken in.</param>
/// <param name="Waits">Whether its bytes are kept to be read again.</param>
public sealed record IntakeResult(string Resource, string Disposition, string? Reason, bool Waits);

/// <summary>The parts of a message as they are sorted: facts, and what else the transaction keeps.</summary>
internal sealed class SortedMessage(string source, DateTimeOffset receivedAt, string? traceParent)
{
    private static readonly TimeSpan RetryWaiting = TimeSpan.FromMinutes(1);

    private const int LongestNoted = 250;

    private readonly List<Func<TitrationDbContext, Task>> _kept = [];

    public DateTimeOffset ReceivedAt => receivedAt;

    public List<ReceivedFact> Facts { get; } = [];

    public List<IntakeResult> Results { get; } = [];

    public void Keep(Func<TitrationDbContext, Task> keep) => _kept.Add(keep);

    /// <summary>Writes what is kept beside the facts, within their transaction.</summary>
    public async Task KeepAsync(TitrationDbContext database)
    {
        foreach (Func<TitrationDbContext, Task> keep in _kept)
        {
            await keep(database);
        }
    }

    public void TakeIn(ResourceReading.Understood understood)
    {
        TakeIn(understood.Fact);
        if (understood.UnmappedCodes.IsEmpty)
        {
            Say(understood.Header, "taken-in", null);
            return;
        }

        // What was understood counts at once; the whole is read again when a mapping knows the rest, which may be a finding.
        KeepUnmapped(understood, understood.Fact.Patient, understood.UnmappedCodes);
        Say(understood.Header, "taken-in", $"without {Words(understood.UnmappedCodes)}, which no mapping knows", waits: true);
    }

    public void TakeIn(Fact fact) => Facts.Add(new ReceivedFact(fact, receivedAt, traceParent));

    public void Skip(ResourceReading.Skipped skipped) => Say(skipped.Header, "skipped", skipped.Reason);

    public void Quarantine(ResourceReading reading, string reason, string path, string problem)
    {
        UnreadableMessage message = new(reading.Bytes.ToArray(), source, reason, path, problem, Patient: null);
        Keep(database => database.QuarantineAsync(message, receivedAt, CancellationToken.None));
        Say(reading.Header, "quarantined", path.Length == 0 ? problem : $"{path}: {problem}");
    }

    public void Park(ResourceReading.Unmapped unmapped)
    {
        KeepUnmapped(unmapped, patient: null, unmapped.Codes);
        Say(unmapped.Header, "waiting", unmapped.Codes.IsEmpty ? "its product stands in words only" : $"no mapping knows {Words(unmapped.Codes)}", waits: true);
    }

    public void Wait(ResourceReading.Incomplete incomplete)
    {
        WaitingResource resource = new(incomplete.Bytes.ToArray(), WaitingReason.ReferenceMissing, incomplete.References, null, traceParent);
        Keep(database => database.KeepWaitingAsync(resource, receivedAt, receivedAt + RetryWaiting, CancellationToken.None));
        Say(incomplete.Header, "waiting", "what it refers to cannot be fetched now", waits: true);
    }

    /// <summary>Keeps a deletion of something that is not known, until it is or a day has passed.</summary>
    public void WaitForDeleted(ResourceHeader header)
    {
        byte[] deletion = References.Deletion(header, receivedAt);
        WaitingResource resource = new(deletion, WaitingReason.ReferenceMissing, [$"{WaitingRetry.DeletedPrefix}{header.Type}/{header.Id}"], null, traceParent);
        Keep(database => database.KeepWaitingAsync(resource, receivedAt, receivedAt + RetryWaiting, CancellationToken.None));
        Say(header, "waiting", "what was deleted is not known yet", waits: true);
    }

    public void Say(ResourceHeader header, string disposition, string? reason, bool waits = false) =>
        Results.Add(new IntakeResult($"{header.Type ?? "unknown"}/{header.Id ?? "unknown"}", disposition, reason, waits));

    private void KeepUnmapped(ResourceReading reading, string? patient, ImmutableArray<SystemCode> codes)
    {
        string resourceType = reading.Header.Type ?? "unknown";
        WaitingResource resource = new(reading.Bytes.ToArray(), WaitingReason.Unmapped, [.. codes.Select(Words)], patient, traceParent);
        Keep(database => database.KeepWaitingAsync(resource, receivedAt, notBefore: null, CancellationToken.None));
        foreach (SystemCode code in codes)
        {
            Keep(database => database.NoteUnmappedAsync(Cut(code.System), Cut(code.Code), resourceType, receivedAt, CancellationToken.None));
        }
    }

    // It is noted to be shown and counted, and a database's index does not hold words of any length.
    private static string Cut(string text) => text.Length <= LongestNoted ? text : text[..LongestNoted];

    private static string Words(ImmutableArray<SystemCode> codes) => string.Join(", ", codes.Select(Words));

    private static string Words(SystemCode code) => $"{code.System}|{code.Code}";
}
