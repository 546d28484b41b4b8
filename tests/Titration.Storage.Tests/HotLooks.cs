using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Communications;
using Titration.Storage.Delivery;
using Titration.Storage.Intake;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Storage.Tests;

/// <summary>
/// What the service asks the database for again and again, whatever the size of the caseload. Each is the query that the service itself makes; a new one that is made with
/// each message, look, entry or gauge belongs here.
/// </summary>
internal static class HotLooks
{
    /// <summary>A patient of the caseload.</summary>
    public const string Patient = "p-7";

    private static readonly DateTimeOffset Now = new(2026, 3, 1, 9, 0, 0, TimeSpan.Zero);
    private static readonly TimeSpan Lease = TimeSpan.FromSeconds(20);

    /// <summary>By name. What a look changes is rolled back.</summary>
    public static ImmutableArray<(string Name, Func<TitrationDbContext, CancellationToken, Task> Look)> All { get; } =
    [
        ("taking in a fact", async (database, token) =>
        {
            await database.ErasedAmongAsync([[1]], null, token);
            PatientRecord record = (await database.LoadPatientsAsync([Patient, "new"], token))[1];
            record.AddFacts([new ReceivedFact(Sample.Facts(Patient)[0] with { Source = Sample.Source("Observation", "newest") }, Now)]);
            record.AppendDecision(Sample.Evaluation(Patient, record.AsOf(Now.AddYears(1))), "policy", "input");
            record.LookAgainAt(Now.AddDays(1));
            await database.SaveChangesAsync(token);
        }),
        ("looking at due patients", (database, token) => database.LoadKnownPatientsAsync(["p-3", Patient], token)),
        ("claiming due patients", (database, token) => database.DueAsync(Now, Lease, 100, token)),
        ("a deletion", (database, token) => database.PatientsOfAsync("Observation", "check-in-1-7", token)),
        ("a patient's history", (database, token) => database.HistoryOfAsync(Patient, 5, token)),
        ("the decision on a course that has gone", async (database, token) =>
            await database.LastDecidedAsync(Patient, await database.Courses.Where(c => c.Patient == Patient).Select(c => c.Id).SingleAsync(token), token)),
        ("claiming entries of the outbox", (database, token) => database.ClaimAsync(Now, Lease, 20, onlySafety: false, token)),
        ("claiming entries while paused", (database, token) => database.ClaimAsync(Now, Lease, 20, onlySafety: true, token)),
        ("prolonging a lease", async (database, token) => await database.ProlongAsync([await EntryAsync(database, token)], Now, Lease, token)),
        ("giving an entry back", async (database, token) => await database.GiveBackAsync(await EntryAsync(database, token), Now, Lease, "held-back", token)),
        ("completing an entry", async (database, token) =>
        {
            OutboxRow entry = await EntryAsync(database, token);
            await database.Outbox.Where(o => o.Id == entry.Id).ExecuteUpdateAsync(set => set.SetProperty(o => o.State, OutboxState.Leased), token);
            await database.CompleteAsync(entry, [new SentResourceRow { CommunicationKey = entry.CommunicationKey, Role = "task", ResourceType = "Task", ServerId = "new" }], Now, token);
        }),
        ("what the server holds of a communication", async (database, token) => await database.SentOfAsync((await EntryAsync(database, token)).CommunicationKey, token)),
        ("whose answer it is", (database, token) => database.CommunicationOfAsync("CommunicationRequest", "server-7", token)),
        ("whether an answer was known", async (database, token) => await database.KnewAnswerAsync(await EntryAsync(database, token), "task-1", token)),
        ("the language of a patient", (database, token) => database.LanguageOfAsync(Patient, token)),
        ("whether a communication stands", (database, token) => database.StandingAsync(Patient, null, new CommunicationReference(CommunicationKind.CheckInRequest, "1"), token)),
        ("messages to a patient today", (database, token) => database.CountPacedSinceAsync(Patient, Now, token)),
        ("whether a proposal may leave today", async (database, token) =>
        {
            OutboxRow entry = await EntryAsync(database, token);
            // It begins one of its own.
            await database.Database.RollbackTransactionAsync(token);
            await database.LetProposalLeaveAsync(entry, Now, 20, token);
        }),
        ("resources that wait", (database, token) => database.Waiting.DueAt(Now).Take(20).ToListAsync(token)),
        ("the gauge of the outbox", (database, token) => database.OutboxDepthAsync(token)),
        ("the gauge of what is due", (database, token) => database.CountDueAsync(Now, token)),
        ("the gauge of emergencies that have not left", (database, token) => database.CountUnconfirmedStatAsync(Now, token)),
        ("the gauge of courses", (database, token) => database.CountCoursesAsync(token)),
        ("the status page's outbox", (database, token) => database.UnsentByRankAsync(token)),
        ("the status page's decisions", (database, token) => database.RecentDecisionsAsync(20, token)),
    ];

    private static Task<OutboxRow> EntryAsync(TitrationDbContext database, CancellationToken cancellationToken) =>
        database.Outbox.AsNoTracking().Where(o => o.Patient == Patient).OrderBy(o => o.Sequence).LastAsync(cancellationToken);
}
