using Titration.Storage.Ledger;

namespace Titration.Storage.Tests;

/// <summary>Finding the patients whose next look has come.</summary>
public abstract class SweepSuite(DatabaseFixture fixture) : StorageSuite(fixture)
{
    [Fact]
    public async Task The_due_are_claimed_once_and_the_longest_overdue_first()
    {
        await LookAtAsync(("a", Now), ("b", Now.AddDays(-2)), ("c", Now.AddDays(-1)), ("later", Now.AddMilliseconds(1)), ("never", null));

        Assert.Equal("b, c", await DueAsync(limit: 2));
        Assert.Equal("a", await DueAsync(limit: 2));
        Assert.Equal("", await DueAsync(limit: 2));
    }

    [Fact]
    public async Task A_patient_looked_at_is_due_again_only_when_it_says_so()
    {
        await LookAtAsync(("a", Now));
        await DueAsync(limit: 1);

        await LookAtAsync(("a", Now.AddDays(1)));
        Assert.Equal("", await DueAsync(limit: 1));
        await LookAtAsync(("a", Now));
        Assert.Equal("a", await DueAsync(limit: 1));
    }

    [Fact]
    public async Task A_patient_whose_sweep_did_not_end_comes_again_when_the_lease_has_run_out()
    {
        await LookAtAsync(("a", Now));
        Assert.Equal("a", await DueAsync(limit: 1, lease: TimeSpan.Zero));
        Assert.Equal("a", await DueAsync(limit: 1));
    }

    [Fact]
    public async Task The_backlog_counts_the_due_whether_or_not_somebody_is_at_them()
    {
        await LookAtAsync(("a", Now), ("b", Now), ("later", Now.AddDays(1)));
        await DueAsync(limit: 1);

        await using TitrationDbContext database = Open();
        Assert.Equal(2, await database.CountDueAsync(Now, Token));
    }

    [Fact]
    public async Task No_evaluation_lies_before_the_last_decision()
    {
        await ChangeAsync("p", record => record.AppendDecision(Sample.Evaluation("p", Now), "policy", "input"));

        PatientRecord record = await ReadAsync("p");

        Assert.Equal(Now, record.AsOf(Now.AddSeconds(-5)));
        Assert.Equal(Now.AddMilliseconds(5), record.AsOf(Now.AddTicks(59_999)));
        Assert.Throws<ArgumentException>(() => record.AppendDecision(Sample.Evaluation("p", Now.AddMilliseconds(-1)), "policy", "input"));
    }

    protected async Task<string> DueAsync(int limit, TimeSpan? lease = null)
    {
        await using TitrationDbContext database = Open();
        return string.Join(", ", await database.DueAsync(Now, lease ?? Hour, limit, Token));
    }

    protected async Task LookAtAsync(params (string Patient, DateTimeOffset? At)[] looks)
    {
        foreach ((string patient, DateTimeOffset? at) in looks)
        {
            await ChangeAsync(patient, record => record.LookAgainAt(at));
        }
    }
}

public sealed class SweepOnSqlite(SqliteFixture fixture) : SweepSuite(fixture), IClassFixture<SqliteFixture>;

public sealed class SweepOnPostgres(PostgresFixture fixture) : SweepSuite(fixture), IClassFixture<PostgresFixture>
{
    [Fact]
    public async Task A_sweep_passes_over_patients_that_another_transaction_has_and_does_not_wait()
    {
        await LookAtAsync(("a", Now), ("b", Now));
        await using TitrationDbContext busy = Open();
        await using var transaction = await busy.Database.BeginTransactionAsync(Token);
        await busy.LoadPatientsAsync(["a"], Token);

        Assert.Equal("b", await DueAsync(limit: 10));
    }
}
