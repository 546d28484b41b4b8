using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Integration.Tests;

/// <summary>What the database says, for conditions to wait for.</summary>
internal static class WorkerState
{
    /// <summary>The outcomes of all courses, by code; "ended" for one without.</summary>
    public static async Task<IReadOnlyList<string>> OutcomesAsync(Surroundings parts, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = parts.Open();
        List<Outcome?> outcomes = await database.Courses.OrderBy(c => c.Patient).Select(c => c.Outcome).ToListAsync(cancellationToken);
        return [.. outcomes.Select(o => o?.Code() ?? "ended")];
    }

    /// <summary>Facts by patient and resource, as taken in.</summary>
    public static async Task<IReadOnlyList<string>> FactsAsync(Surroundings parts, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Facts.Where(f => f.ResourceType != "Patient").OrderBy(f => f.ResourceId).ThenBy(f => f.Sequence)
            .Select(f => f.ResourceType + "/" + f.ResourceId).ToListAsync(cancellationToken);
    }

    /// <summary>The traces of the messages that brought facts of clinical resources.</summary>
    public static async Task<IReadOnlyList<string?>> TracesAsync(Surroundings parts, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Facts.Where(f => f.ResourceType != "Patient").Select(f => f.TraceParent).ToListAsync(cancellationToken);
    }

    /// <summary>Every communication that a decision opened, with how it stands.</summary>
    public static async Task<IReadOnlyList<string>> OpenedAsync(Surroundings parts, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = parts.Open();
        return [.. (await database.Communications.ToListAsync(cancellationToken)).Select(c => $"{c.Key} {c.Kind} {c.State}").Order(StringComparer.Ordinal)];
    }

    /// <summary>Whether anything of this patient has been taken in.</summary>
    public static async Task<bool> IsKnownAsync(Surroundings parts, string patient, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Patients.AnyAsync(p => p.Id == patient, cancellationToken);
    }

    /// <summary>Entries of the outbox that have not left, whether or not somebody is at them.</summary>
    public static async Task<int> UnsentAsync(Surroundings parts, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Outbox.CountAsync(o => o.State == OutboxState.Pending || o.State == OutboxState.Leased, cancellationToken);
    }

    /// <summary>Whether so many messages are in quarantine, so many codes unmapped and so many entries refused for good.</summary>
    public static async Task<bool> HasSetAsideAsync(Surroundings parts, int messages, int codes, int deadLetters, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Quarantine.CountAsync(cancellationToken) == messages
            && await database.UnmappedCodes.CountAsync(cancellationToken) == codes
            && (await database.OutboxDepthAsync(cancellationToken)).Dead == deadLetters;
    }

    /// <summary>Nothing is due at this instant and nothing waits to be sent.</summary>
    public static async Task<bool> IsQuietAsync(Surroundings parts, DateTimeOffset now, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Patients.AnyAsync(cancellationToken)
            && await database.CountDueAsync(now, cancellationToken) == 0
            && (await database.OutboxDepthAsync(cancellationToken)).Unsent == 0;
    }
}
