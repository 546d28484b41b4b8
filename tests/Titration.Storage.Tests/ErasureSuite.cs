using Microsoft.EntityFrameworkCore;
using Titration.Storage.Delivery;
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
        byte[] key = [9];
        await FillAsync("p-erased");
        await FillAsync("p-kept");
        await SealAsync();
        Assert.NotEqual(0, await MentionsAsync("p-erased"));
        int kept = await MentionsAsync("p-kept");

        await using (TitrationDbContext database = Open())
        {
            await using var transaction = await database.Database.BeginTransactionAsync(Token);
            Assert.Empty(await database.ErasedAmongAsync([mark], key, Token));
            Assert.Equal(new HeldOfPatient(Facts: 8, 1, Decisions: 2, 2, Outbox: 3, 2, 1, Shared: 1), await database.EraseAsync("p-erased", mark, key, ByText("p-erased"), Now, null, Token));
            await transaction.CommitAsync(Token);
        }

        Assert.Equal(mark, Assert.Single(await ErasedAmongAsync([mark, [7]], key)));

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
    public async Task What_is_held_is_counted_without_changing_anything()
    {
        await FillAsync("p-1");
        await using TitrationDbContext database = Open();

        HeldOfPatient held = await database.HeldOfAsync("p-1", ByText("p-1"), Token);

        Assert.Equal(held, await database.HeldOfAsync("p-1", ByText("p-1"), Token));
        Assert.Equal((8, 2, 3, false), (held.Facts, held.Decisions, held.Outbox, held.IsNothing));
        Assert.True((await database.HeldOfAsync("nobody", ByText("nobody"), Token)).IsNothing);
    }

    [Fact]
    public async Task Where_somebody_was_erased_nothing_is_taken_in_without_the_key_or_with_another()
    {
        Assert.Empty(await ErasedAmongAsync([[1]], keyMark: null));
        await EraseAsync("nobody");

        Assert.Equal([1], Assert.Single(await ErasedAmongAsync([[1]], [9])));
        await Assert.ThrowsAsync<ErasureKeyException>(() => ErasedAmongAsync([], keyMark: null));
        await Assert.ThrowsAsync<ErasureKeyException>(() => ErasedAmongAsync([[1]], [8]));
        await using TitrationDbContext database = Open();
        Assert.Equal((true, false, false), (await database.FitsMarksAsync([9], Token), await database.FitsMarksAsync([8], Token), await database.FitsMarksAsync(null, Token)));
        await using var transaction = await database.Database.BeginTransactionAsync(Token);
        await Assert.ThrowsAsync<ErasureKeyException>(() => database.EraseAsync("p", [2], [8], ByText("p"), Now, null, Token));
    }

    [Fact]
    public async Task What_is_being_sent_while_its_patient_is_erased_leaves_nothing_behind()
    {
        await DecideAsync("p", Sample.Intent("1"));
        await using TitrationDbContext sender = Open();
        OutboxRow entry = Assert.Single(await sender.ClaimAsync(Now, Hour, 1, onlySafety: false, Token));
        SentResourceRow held = new() { CommunicationKey = entry.CommunicationKey, Role = "task", ResourceType = "Task", ServerId = "1" };
        await EraseAsync("p");

        Assert.False(await sender.KeepSentAsync(entry, [held], Token));
        Assert.False(await sender.GiveBackAsync(entry, Now, TimeSpan.Zero, "later", Token));
        Assert.False(await sender.BuryAsync(entry, "http-422", Token));
        Assert.False(await sender.CompleteAsync(entry, [held], Now, Token));

        await using TitrationDbContext after = Open();
        Assert.Equal((0, 0, 0), (await after.Outbox.CountAsync(Token), await after.SentResources.CountAsync(Token), await after.Patients.CountAsync(Token)));
    }

    [Fact]
    public async Task A_sweep_that_comes_too_late_does_not_bring_the_patient_back()
    {
        await DecideAsync("p");
        await EraseAsync("p");
        await using TitrationDbContext database = Open();
        await using var transaction = await database.Database.BeginTransactionAsync(Token);

        Assert.Empty(await database.LoadKnownPatientsAsync(["p"], Token));
        Assert.Equal(0, await database.Patients.CountAsync(Token));
    }

    [Fact]
    public async Task Erasing_somebody_unknown_leaves_the_mark_alone_and_erasing_twice_changes_nothing()
    {
        for (int time = 0; time < 2; time++)
        {
            Assert.True((await EraseAsync("nobody")).IsNothing);
        }

        await using TitrationDbContext after = Open();
        Assert.Equal((2, 0), (await after.ErasedPatients.CountAsync(Token), await after.Chains.CountAsync(Token)));
    }

    [Fact]
    public async Task A_patient_who_comes_again_after_an_erasure_starts_another_chain()
    {
        await DecideAsync("p");
        Guid before = await ChainOfAsync();
        await EraseAsync("p");

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

    // The worker reads references; here the words do.
    private static Tells ByText(string patient) => (content, names) =>
        !System.Text.Encoding.UTF8.GetString(content).Contains(patient, StringComparison.Ordinal) && !names.Contains(System.Text.Encoding.UTF8.GetString(content)) ? Telling.NotOfPatient
        : System.Text.Encoding.UTF8.GetString(content).Contains("others", StringComparison.Ordinal) ? Telling.OfOthersToo
        : Telling.OfPatient;

    private async Task<HeldOfPatient> EraseAsync(string patient)
    {
        await using TitrationDbContext database = Open();
        await using var transaction = await database.Database.BeginTransactionAsync(Token);
        HeldOfPatient erased = await database.EraseAsync(patient, [1], [9], ByText(patient), Now, null, Token);
        await transaction.CommitAsync(Token);
        return erased;
    }

    private async Task<System.Collections.Immutable.ImmutableArray<byte[]>> ErasedAmongAsync(byte[][] marks, byte[]? keyMark)
    {
        await using TitrationDbContext database = Open();
        await using var transaction = await database.Database.BeginTransactionAsync(Token);
        return await database.ErasedAmongAsync(marks, keyMark, Token);
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
        // One that could not even be filed under the patient, and tells of others.
        byte[] unfiled = System.Text.Encoding.UTF8.GetBytes($"about {patient} and others");
        await database.QuarantineAsync(new UnreadableMessage(unfiled, "queue", "syntax", "", "not JSON", null), Now, Token);
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
