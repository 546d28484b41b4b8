using System.Collections.Frozen;
using System.Collections.Immutable;
using System.Text.Json.Serialization;
using Titration.Fhir.Reading;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Intake;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Worker.Intake;

/// <summary>What became of one resource of a message.</summary>
/// <param name="Resource"><c>Type/id</c> as far as it could be read.</param>
/// <param name="Disposition"><c>taken-in</c>, <c>skipped</c>, <c>quarantined</c>, <c>waiting</c> or <c>erased</c>.</param>
/// <param name="Reason">Why, where it was not simply taken in.</param>
/// <param name="Waits">Whether its bytes are kept to be read again.</param>
/// <param name="LeftOut">Whether something was left out because its patient was erased.</param>
public sealed record IntakeResult(string Resource, string Disposition, string? Reason, bool Waits, [property: JsonIgnore] bool LeftOut = false)
{
    /// <summary>The disposition of what is an erased patient's.</summary>
    public const string Erased = "erased";
}

/// <summary>The parts of a message as they are sorted: facts, and what else the transaction keeps.</summary>
/// <param name="source">Where it came from.</param>
/// <param name="receivedAt">When.</param>
/// <param name="traceParent">Its trace; null where it has none.</param>
/// <param name="alongside">What else belongs into the transaction that takes all of it in: left out where part of it has to wait. Null: nothing.</param>
internal sealed class SortedMessage(string source, DateTimeOffset receivedAt, string? traceParent, Func<TitrationDbContext, Task>? alongside)
{
    private static readonly TimeSpan RetryWaiting = TimeSpan.FromMinutes(1);

    private const int LongestNoted = 250;

    private readonly List<Kept> _kept = [];
    private readonly List<Said> _said = [];

    public DateTimeOffset ReceivedAt => receivedAt;

    public List<ReceivedFact> Facts { get; } = [];

    public IEnumerable<IntakeResult> Results => _said.Select(s => s.Result);

    /// <summary>Every patient whom any part of it names, as far as that could be read.</summary>
    public IReadOnlyCollection<string> Patients =>
        [.. Facts.Select(f => f.Fact.Patient).Concat(_kept.SelectMany(k => k.Patients)).Distinct(StringComparer.Ordinal)];

    /// <summary>Writes what is kept beside the facts, within their transaction.</summary>
    public async Task KeepAsync(TitrationDbContext database)
    {
        foreach (Kept kept in _kept)
        {
            await kept.KeepAsync(database);
        }

        if (alongside is not null && !Results.Any(r => r.Waits))
        {
            await alongside(database);
        }
    }

    /// <summary>
    /// Leaves out what tells of patients who were erased. Bytes that tell of others too and cannot be taken apart are not kept either; that
    /// they came is, so that somebody asks for the others' part again.
    /// </summary>
    public void LeaveOut(FrozenSet<string> erased)
    {
        if (erased.Count == 0)
        {
            return;
        }

        Facts.RemoveAll(f => erased.Contains(f.Fact.Patient));
        for (int i = _kept.Count - 1; i >= 0; i--)
        {
            if (!_kept[i].Patients.Any(erased.Contains))
            {
                continue;
            }

            if (_kept[i].InPlace is { } inPlace && _kept[i].Patients.Any(p => !erased.Contains(p)))
            {
                _kept[i] = new Kept([], inPlace, InPlace: null);
            }
            else
            {
                _kept.RemoveAt(i);
            }
        }

        for (int i = 0; i < _said.Count; i++)
        {
            if (!_said[i].Patients.Any(erased.Contains))
            {
                continue;
            }

            // What is not kept of several patients stays in sight in quarantine.
            IntakeResult result = _said[i].Result with { LeftOut = true };
            bool inSight = result.Disposition == "quarantined" && _said[i].Patients.Any(p => !erased.Contains(p));
            _said[i] = _said[i] with { Result = inSight ? result : result with { Disposition = IntakeResult.Erased, Reason = "of a patient who was erased", Waits = false } };
        }
    }

    public void TakeIn(ResourceReading.Understood understood)
    {
        TakeIn(understood.Fact);
        if (understood.UnmappedCodes.IsEmpty)
        {
            Say(understood.Header, "taken-in", null, [understood.Fact.Patient]);
            return;
        }

        // What was understood counts at once; the whole is read again when a mapping knows the rest, which may be a finding.
        KeepUnmapped(understood, [understood.Fact.Patient], understood.UnmappedCodes);
        Say(understood.Header, "taken-in", $"without {Words(understood.UnmappedCodes)}, which no mapping knows", [understood.Fact.Patient], waits: true);
    }

    public void TakeIn(Fact fact) => Facts.Add(new ReceivedFact(fact, receivedAt, traceParent));

    public void Skip(ResourceReading.Skipped skipped) => Say(skipped.Header, "skipped", skipped.Reason);

    public void Quarantine(ResourceReading reading, string reason, string path, string problem)
    {
        ImmutableArray<string> patients = Mentions.Patients(reading.Bytes);
        UnreadableMessage message = new(reading.Bytes.ToArray(), source, reason, path, problem, OnlyOne(patients));
        UnreadableMessage withoutBytes = new(
            [], source, IntakeResult.Erased, "", "It named a patient who was erased among others and could not be taken apart: its bytes are not kept. Have the others sent again.", null);
        _kept.Add(new Kept(
            patients,
            database => database.QuarantineAsync(message, receivedAt, CancellationToken.None),
            database => database.QuarantineAsync(withoutBytes, receivedAt, CancellationToken.None)));
        Say(reading.Header, "quarantined", path.Length == 0 ? problem : $"{path}: {problem}", patients);
    }

    public void Park(ResourceReading.Unmapped unmapped)
    {
        ImmutableArray<string> patients = Mentions.Patients(unmapped.Bytes);
        KeepUnmapped(unmapped, patients, unmapped.Codes);
        Say(unmapped.Header, "waiting", unmapped.Codes.IsEmpty ? "its product stands in words only" : $"no mapping knows {Words(unmapped.Codes)}", patients, waits: true);
    }

    public void Wait(ResourceReading.Incomplete incomplete)
    {
        ImmutableArray<string> patients = Mentions.Patients(incomplete.Bytes);
        WaitingResource resource = new(incomplete.Bytes.ToArray(), WaitingReason.ReferenceMissing, incomplete.References, OnlyOne(patients), traceParent);
        _kept.Add(new Kept(patients, database => database.KeepWaitingAsync(resource, receivedAt, receivedAt + RetryWaiting, CancellationToken.None), InPlace: null));
        Say(incomplete.Header, "waiting", "what it refers to cannot be fetched now", patients, waits: true);
    }

    /// <summary>Keeps a deletion of something that is not known, until it is or a day has passed.</summary>
    public void WaitForDeleted(ResourceHeader header)
    {
        byte[] deletion = References.Deletion(header, receivedAt);
        WaitingResource resource = new(deletion, WaitingReason.ReferenceMissing, [$"{WaitingRetry.DeletedPrefix}{header.Type}/{header.Id}"], null, traceParent);
        _kept.Add(new Kept([], database => database.KeepWaitingAsync(resource, receivedAt, receivedAt + RetryWaiting, CancellationToken.None), InPlace: null));
        Say(header, "waiting", "what was deleted is not known yet", waits: true);
    }

    /// <param name="header">The resource.</param>
    /// <param name="disposition">What became of it.</param>
    /// <param name="reason">Why; null: it was simply taken in.</param>
    /// <param name="patients">Whom it tells of; nobody where it is left out.</param>
    /// <param name="waits">Whether its bytes are kept to be read again.</param>
    public void Say(ResourceHeader header, string disposition, string? reason, ImmutableArray<string> patients = default, bool waits = false) =>
        _said.Add(new Said(patients.IsDefault ? [] : patients, new IntakeResult($"{header.Type ?? "unknown"}/{header.Id ?? "unknown"}", disposition, reason, waits)));

    private void KeepUnmapped(ResourceReading reading, ImmutableArray<string> patients, ImmutableArray<SystemCode> codes)
    {
        string resourceType = reading.Header.Type ?? "unknown";
        WaitingResource resource = new(reading.Bytes.ToArray(), WaitingReason.Unmapped, [.. codes.Select(Words)], OnlyOne(patients), traceParent);
        _kept.Add(new Kept(patients, database => database.KeepWaitingAsync(resource, receivedAt, notBefore: null, CancellationToken.None), InPlace: null));
        foreach (SystemCode code in codes)
        {
            _kept.Add(new Kept(
                patients, database => database.NoteUnmappedAsync(Cut(code.System), Cut(code.Code), resourceType, receivedAt, CancellationToken.None), InPlace: null));
        }
    }

    private static string? OnlyOne(ImmutableArray<string> patients) => patients is [var one] ? one : null;

    // It is noted to be shown and counted, and a database's index does not hold words of any length.
    private static string Cut(string text) => text.Length <= LongestNoted ? text : text[..LongestNoted];

    private static string Words(ImmutableArray<SystemCode> codes) => string.Join(", ", codes.Select(Words));

    private static string Words(SystemCode code) => $"{code.System}|{code.Code}";

    /// <param name="Patients">Whom it tells of.</param>
    /// <param name="KeepAsync">Writes it.</param>
    /// <param name="InPlace">Written instead where some of them were erased; null: nothing.</param>
    private sealed record Kept(ImmutableArray<string> Patients, Func<TitrationDbContext, Task> KeepAsync, Func<TitrationDbContext, Task>? InPlace);

    private sealed record Said(ImmutableArray<string> Patients, IntakeResult Result);
}
