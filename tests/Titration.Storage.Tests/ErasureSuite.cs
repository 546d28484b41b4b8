using Microsoft.EntityFrameworkCore;
using Titration.Storage.Intake;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Storage.Tests;

/// <summary>A patient is erased, and the ledger stays whole.</summary>
public abstract class ErasureSuite(DatabaseFixture fixture) : StorageSuite(fixture)
{
    [Fact]
    public async Task After_an_erasure_nothing_tells_of_the_patient_and_the_ledger_still_holds()
    {
        byte[] mark = [1, 2, 3];
        await FillAsync("p-erased");
        await FillAsync("p-kept");
        await SealAsync();
        Assert.NotEqual(0, await MentionsAsync("p-erased"));
        int kept = await MentionsAsync("p-kept");

        await using (TitrationDbContext database = Open())
        {
            await using var transaction = await database.Database.BeginTransactionAsync(Token);
            Assert.False(await database.IsErasedAsync(mark, Token));
            Assert.True(await database.EraseAsync("p-erased", mark, Now, null, Token));
            await transaction.CommitAsync(Token);
            Assert.True(await database.IsErasedAsync(mark, Token));
        }

        Assert.Equal(0, await MentionsAsync("p-erased"));
        Assert.Equal(kept, await MentionsAsync("p-kept"));
        await using TitrationDbContext after = Open();
        List<ChainResult> results = await after.VerifyLedgerAsync([], Token).ToListAsync(Token);
        Assert.Equal([(null, 3), ("p-kept", 2)], results.Select(r => (r.Patient, r.Entries)).OrderBy(r => r.Patient, StringComparer.Ordinal));
        Assert.All(results, result => Assert.Null(result.Break));
        Assert.Empty(await after.VerifyCheckpointsAsync([], Token).ToListAsync(Token));
        Assert.DoesNotContain(await after.StrayRowsAsync(Token).ToListAsync(Token), f => f.Problem == LedgerProblem.StrayRows);
    }

    [Fact]
    public async Task Erasing_somebody_unknown_leaves_the_mark_alone_and_erasing_twice_changes_nothing()
    {
        for (int time = 0; time < 2; time++)
        {
            await using TitrationDbContext database = Open();
            await using var transaction = await database.Database.BeginTransactionAsync(Token);
            Assert.False(await database.EraseAsync("nobody", [1], Now, null, Token));
            await transaction.CommitAsync(Token);
        }

        await using TitrationDbContext after = Open();
        Assert.Equal((1, 0), (await after.ErasedPatients.CountAsync(Token), await after.Chains.CountAsync(Token)));
    }

    [Fact]
    public async Task A_patient_who_comes_again_after_an_erasure_starts_another_chain()
    {
        await DecideAsync("p");
        Guid before = await ChainOfAsync();
        await using (TitrationDbContext database = Open())
        {
            await using var transaction = await database.Database.BeginTransactionAsync(Token);
            await database.EraseAsync("p", [1], Now, null, Token);
            await transaction.CommitAsync(Token);
        }

        await DecideAsync("p");

        Assert.NotEqual(before, await ChainOfAsync());
        await using TitrationDbContext after = Open();
        Assert.All(await after.VerifyLedgerAsync([], Token).ToListAsync(Token), result => Assert.Null(result.Break));

        async Task<Guid> ChainOfAsync()
        {
            await using TitrationDbContext database = Open();
            return (await database.Patients.SingleAsync(Token)).ChainId;
        }
    }

    private async Task SealAsync()
    {
        await using TitrationDbContext database = Open();
        Assert.NotNull(await database.TakeCheckpointAsync(Now, null, Token));
    }

    private async Task FillAsync(string patient)
    {
        await ChangeAsync(patient, record => record.AddFacts(Sample.Facts(patient).Select(Received)));
        await DecideAsync(patient, Sample.Intent("1"));
        await DecideAsync(patient, Sample.Intent("2"));
        await using TitrationDbContext database = Open();
        Guid key = await database.Communications.Where(c => c.Patient == patient).Select(c => c.Key).FirstAsync(Token);
        database.SentResources.Add(new SentResourceRow { CommunicationKey = key, Role = "task", ResourceType = "Task", ServerId = $"of {patient}" });
        await database.SaveChangesAsync(Token);
        byte[] bytes = System.Text.Encoding.UTF8.GetBytes($"about {patient}");
        await database.QuarantineAsync(new UnreadableMessage(bytes, "queue", "syntax", "", "not JSON", patient), Now, Token);
        await database.KeepWaitingAsync(new WaitingResource(bytes, WaitingReason.Unmapped, ["s|c"], patient), Now, null, Token);
    }

    // Looks through every column of every table, text and bytes alike.
    private async Task<int> MentionsAsync(string text)
    {
        await using TitrationDbContext database = Open();
        int mentions = 0;
        foreach (var type in database.Model.GetEntityTypes())
        {
            foreach (var property in type.GetProperties().Where(p => p.ClrType == typeof(string) || p.ClrType == typeof(byte[])))
            {
                string column = property.ClrType == typeof(string) || !database.Database.IsNpgsql()
                    ? $"CAST({property.GetColumnName()} AS TEXT)"
                    : $"encode({property.GetColumnName()}, 'escape')";
                string query = $"SELECT CAST(count(*) AS INTEGER) AS \"Value\" FROM {type.GetTableName()} WHERE {column} LIKE {{0}}";
                mentions += (await database.Database.SqlQueryRaw<int>(query, $"%{text}%").ToListAsync(Token))[0];
            }
        }

        return mentions;
    }
}

public sealed class ErasureOnSqlite(SqliteFixture fixture) : ErasureSuite(fixture), IClassFixture<SqliteFixture>;

public sealed class ErasureOnPostgres(PostgresFixture fixture) : ErasureSuite(fixture), IClassFixture<PostgresFixture>;
