using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Storage.Ledger;

namespace Titration.Storage.Tests;

/// <summary>What the suites share: each runs on SQLite and on PostgreSQL, and each test starts with empty tables.</summary>
public abstract class StorageSuite(DatabaseFixture fixture) : IAsyncLifetime
{
    protected static readonly DateTimeOffset Now = new(2026, 3, 1, 9, 0, 0, TimeSpan.Zero);

    protected static readonly TimeSpan Hour = TimeSpan.FromHours(1);

    protected static CancellationToken Token => TestContext.Current.CancellationToken;

    protected DatabaseFixture Fixture => fixture;

    public async ValueTask InitializeAsync() => await fixture.EmptyAsync();

    public ValueTask DisposeAsync()
    {
        GC.SuppressFinalize(this);
        return ValueTask.CompletedTask;
    }

    protected TitrationDbContext Open() => fixture.Open();

    /// <summary>Load, change, save: in a context and a transaction of its own.</summary>
    protected async Task ChangeAsync(string patient, Action<PatientRecord> change)
    {
        await using TitrationDbContext database = Open();
        await using var transaction = await database.Database.BeginTransactionAsync(Token);
        change((await database.LoadPatientsAsync([patient], Token))[0]);
        await database.SaveChangesAsync(Token);
        await transaction.CommitAsync(Token);
    }

    /// <summary>What is stored of a patient.</summary>
    protected async Task<PatientRecord> ReadAsync(string patient)
    {
        await using TitrationDbContext database = Open();
        await using var transaction = await database.Database.BeginTransactionAsync(Token);
        return (await database.LoadPatientsAsync([patient], Token))[0];
    }

    /// <summary>A decision that opens these communications and withdraws what it does not name.</summary>
    protected Task DecideAsync(string patient, params ImmutableArray<CommunicationIntent> intents) => ChangeAsync(patient, record => Decide(record, intents));

    /// <summary>The same, of a patient that is loaded.</summary>
    protected static void Decide(PatientRecord record, params ImmutableArray<CommunicationIntent> intents)
    {
        Evaluation evaluation = Sample.Evaluation(record.Patient, record.AsOf(Now)) with { Communications = intents };
        Guid decision = record.AppendDecision(evaluation, "policy", "input");
        Guid? course = evaluation.Course?.Id;
        record.Reconcile(Reconciliation.Of(record.StandingCommunications(course), evaluation, decision, []), course, decision, evaluation.AsOf);
        record.Materialise(evaluation, "policy");
    }

    protected static ReceivedFact Received(Fact fact) => new(fact, Now, "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01");
}
