using Microsoft.EntityFrameworkCore;
using Titration.Storage.Intake;
using Titration.Storage.Model;

namespace Titration.Storage.Tests;

/// <summary>What could not be used at once.</summary>
public abstract class IntakeSuite(DatabaseFixture fixture) : StorageSuite(fixture)
{
    [Fact]
    public async Task A_bad_message_delivered_again_is_kept_once_and_counted()
    {
        await QuarantineAsync("syntax", Now);
        await QuarantineAsync("still syntax", Now.AddMinutes(1));
        await QuarantineAsync("syntax", Now, content: 2);

        List<QuarantineRow> held = await HeldAsync();

        Assert.Equal([(2, "still syntax"), (1, "syntax")], held.Select(q => (q.Count, q.Problem)));
        Assert.Equal((Now, Now.AddMinutes(1), "queue", "unreadable", "Observation.status"), (held[0].ReceivedAt, held[0].LastReceivedAt, held[0].Source, held[0].Reason, held[0].Path));
        Assert.Equal(new byte[] { 1 }, held[0].Content);
    }

    [Fact]
    public async Task What_was_tried_again_is_held_no_more_unless_it_comes_back()
    {
        await QuarantineAsync("syntax", Now);
        long id = (await HeldAsync())[0].Id;
        await using TitrationDbContext database = Open();

        Assert.False(await database.MarkRetriedAsync(id, Now, Token));
        Assert.True(await database.RequestRetryAsync(id, Token));
        Assert.False(await database.RequestRetryAsync(id, Token));
        Assert.Empty(await HeldAsync());
        Assert.Equal(id, (await database.Quarantine.ToRetry().SingleAsync(Token)).Id);
        Assert.True(await database.MarkRetriedAsync(id, Now, Token));
        Assert.False(await database.MarkRetriedAsync(id, Now, Token));
        Assert.Empty(await database.Quarantine.ToRetry().ToListAsync(Token));
        await QuarantineAsync("syntax", Now);
        Assert.Single(await HeldAsync());
    }

    [Fact]
    public async Task A_retry_that_was_asked_for_stands_until_it_was_made_and_is_no_delivery()
    {
        await QuarantineAsync("syntax", Now);
        await using TitrationDbContext database = Open();
        Assert.Equal(1, await database.RequestRetryOfAllAsync(Token));

        await QuarantineAsync("delivered meanwhile", Now.AddMinutes(1));
        Assert.Empty(await HeldAsync());
        await QuarantineAsync("still unreadable", Now.AddMinutes(2), source: QuarantineQueries.Retry);

        QuarantineRow held = Assert.Single(await HeldAsync());
        Assert.Equal((2, Now.AddMinutes(1), "still unreadable", "queue"), (held.Count, held.LastReceivedAt, held.Problem, held.Source));
        Assert.False(await database.MarkRetriedAsync(held.Id, Now, Token));
    }

    [Fact]
    public async Task A_retry_that_failed_is_held_again_and_one_that_was_discarded_is_not_made()
    {
        await QuarantineAsync("syntax", Now);
        await QuarantineAsync("syntax", Now, content: 2);
        await using TitrationDbContext database = Open();
        await database.RequestRetryOfAllAsync(Token);
        long[] ids = [.. (await database.Quarantine.ToRetry().ToListAsync(Token)).Select(q => q.Id)];

        Assert.True(await database.DiscardAsync(ids[0], Token));
        await database.HoldAgainAsync(ids[0], "it broke", Token);
        await database.HoldAgainAsync(ids[1], "it broke", Token);

        QuarantineRow held = Assert.Single(await HeldAsync());
        Assert.Equal((ids[1], "defect", "it broke", ""), (held.Id, held.Reason, held.Problem, held.Path));
    }

    [Fact]
    public async Task What_came_last_long_ago_is_removed_whatever_became_of_it_but_for_a_retry_still_to_be_made()
    {
        for (byte content = 1; content <= 5; content++)
        {
            await QuarantineAsync("syntax", Now, content);
        }

        await using TitrationDbContext database = Open();
        long[] ids = [.. (await HeldAsync()).Select(q => q.Id)];
        Assert.True(await database.DiscardAsync(ids[1], Token));
        Assert.True(await database.RequestRetryAsync(ids[2], Token));
        Assert.True(await database.RequestRetryAsync(ids[3], Token) && await database.MarkRetriedAsync(ids[3], Now, Token));
        await QuarantineAsync("syntax", Now.AddDays(1), content: 5);

        Assert.Equal(0, await database.RemoveReceivedBeforeAsync(Now, Token));
        Assert.Equal(3, await database.RemoveReceivedBeforeAsync(Now.AddDays(1), Token));

        Assert.Equal([ids[2], ids[4]], await database.Quarantine.OrderBy(q => q.Id).Select(q => q.Id).ToListAsync(Token));
    }

    [Fact]
    public async Task What_was_discarded_stays_so_when_it_comes_back()
    {
        await QuarantineAsync("syntax", Now);
        await using TitrationDbContext database = Open();
        Assert.True(await database.DiscardAsync((await HeldAsync())[0].Id, Token));

        await QuarantineAsync("syntax", Now);

        Assert.Empty(await HeldAsync());
        Assert.Equal(2, (await database.Quarantine.AsNoTracking().SingleAsync(Token)).Count);
    }

    [Fact]
    public async Task A_resource_waits_once_is_tried_when_it_is_time_and_ends_waiting()
    {
        await using TitrationDbContext database = Open();
        await database.KeepWaitingAsync(Waits(1, WaitingReason.ReferenceMissing), Now, Now.AddMinutes(1), Token);
        await database.KeepWaitingAsync(Waits(1, WaitingReason.ReferenceMissing), Now, Now.AddMinutes(5), Token);
        await database.KeepWaitingAsync(Waits(2, WaitingReason.Unmapped), Now, null, Token);

        Assert.Empty(await database.Waiting.DueAt(Now).ToListAsync(Token));
        WaitingRow due = await database.Waiting.DueAt(Now.AddMinutes(1)).SingleAsync(Token);
        Assert.Equal("""["Medication/m-1"]""", due.Wanted);
        await database.PostponeWaitingAsync(due.Id, Now.AddMinutes(2), Token);
        Assert.Empty(await database.Waiting.DueAt(Now.AddMinutes(1)).ToListAsync(Token));
        Assert.Equal(1, (await database.Waiting.DueAt(Now.AddMinutes(2)).SingleAsync(Token)).Attempts);
        await database.EndWaitingAsync(due.Id, Token);

        Assert.Equal(new byte[] { 2 }, (await database.Waiting.SingleAsync(Token)).Content);
        Assert.Equal(1, await database.ReadUnmappedAgainAsync(Now.AddDays(1), Token));
        Assert.Single(await database.Waiting.DueAt(Now.AddDays(1)).ToListAsync(Token));

        static WaitingResource Waits(byte content, WaitingReason reason) => new([content], reason, ["Medication/m-1"], "p", "trace");
    }

    [Fact]
    public async Task An_unmapped_code_is_told_once_and_counted_on()
    {
        await using TitrationDbContext database = Open();

        Assert.True(await database.NoteUnmappedAsync("urn:codes", "a", "MedicationRequest", Now, Token));
        Assert.False(await database.NoteUnmappedAsync("urn:codes", "a", "Observation", Now.AddDays(1), Token));
        Assert.True(await database.NoteUnmappedAsync("urn:codes", "b", "Observation", Now, Token));

        UnmappedCodeRow code = await database.UnmappedCodes.SingleAsync(c => c.Code == "a", Token);
        Assert.Equal((2, "MedicationRequest", Now, Now.AddDays(1)), (code.Count, code.ResourceType, code.FirstSeen, code.LastSeen));
    }

    private async Task QuarantineAsync(string problem, DateTimeOffset at, byte content = 1, string source = "queue")
    {
        await using TitrationDbContext database = Open();
        await database.QuarantineAsync(new UnreadableMessage([content], source, "unreadable", "Observation.status", problem, null), at, Token);
    }

    private async Task<List<QuarantineRow>> HeldAsync()
    {
        await using TitrationDbContext database = Open();
        return await database.Quarantine.Held().ToListAsync(Token);
    }
}

public sealed class IntakeOnSqlite(SqliteFixture fixture) : IntakeSuite(fixture), IClassFixture<SqliteFixture>;

public sealed class IntakeOnPostgres(PostgresFixture fixture) : IntakeSuite(fixture), IClassFixture<PostgresFixture>;
