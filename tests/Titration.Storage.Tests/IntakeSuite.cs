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

        Assert.True(await database.MarkRetriedAsync(id, Now, Token));
        Assert.False(await database.MarkRetriedAsync(id, Now, Token));
        Assert.Empty(await HeldAsync());
        await QuarantineAsync("syntax", Now);
        Assert.Single(await HeldAsync());
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

    private async Task QuarantineAsync(string problem, DateTimeOffset at, byte content = 1)
    {
        await using TitrationDbContext database = Open();
        await database.QuarantineAsync(new UnreadableMessage([content], "queue", "unreadable", "Observation.status", problem, null), at, Token);
    }

    private async Task<List<QuarantineRow>> HeldAsync()
    {
        await using TitrationDbContext database = Open();
        return await database.Quarantine.Held().ToListAsync(Token);
    }
}

public sealed class IntakeOnSqlite(SqliteFixture fixture) : IntakeSuite(fixture), IClassFixture<SqliteFixture>;

public sealed class IntakeOnPostgres(PostgresFixture fixture) : IntakeSuite(fixture), IClassFixture<PostgresFixture>;
