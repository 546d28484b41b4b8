using Microsoft.EntityFrameworkCore;
using Titration.Storage.Delivery;
using Titration.Storage.Model;

namespace Titration.Storage.Tests;

/// <summary>Communications: opened, answered, withdrawn, and what the server holds of them.</summary>
public abstract class CommunicationSuite(DatabaseFixture fixture) : StorageSuite(fixture)
{
    [Fact]
    public async Task Completing_keeps_what_the_server_holds_and_later_versions_replace_earlier_ones()
    {
        await DecideAsync("p", Sample.Intent("1"));
        await using TitrationDbContext database = Open();
        OutboxRow issue = Assert.Single(await database.ClaimAsync(Now, Hour, 10, onlySafety: false, Token));
        Assert.True(await database.CompleteAsync(issue, [Held("communication-request", "11", "1"), Held("task", "12", "1")], Now, Token));
        await database.KeepSentAsync([Held("task", "12", "2")], Token);

        Assert.Equal(
            [("communication-request", "11", "1"), ("task", "12", "2")],
            (await database.SentOfAsync(issue.CommunicationKey, Token)).Select(s => (s.Role, s.ServerId, s.VersionId)));
        Assert.Equal(issue.CommunicationKey, (await database.CommunicationOfAsync("task", "12", Token))!.Key);
        Assert.Null(await database.CommunicationOfAsync("task", "13", Token));

        SentResourceRow Held(string role, string id, string version) => new()
        {
            CommunicationKey = issue.CommunicationKey,
            Role = role,
            ResourceType = role,
            ServerId = id,
            VersionId = version,
        };
    }

    [Fact]
    public async Task Deciding_the_same_again_sends_nothing_and_grounds_that_come_back_are_a_new_communication()
    {
        await DecideAsync("p", Sample.Intent("1"));
        await DecideAsync("p", Sample.Intent("1"));
        await DecideAsync("p");
        await DecideAsync("p", Sample.Intent("1"));
        await using TitrationDbContext database = Open();

        List<OutboxRow> entries = await database.Outbox.OrderBy(o => o.Sequence).ToListAsync(Token);

        Assert.Equal([OutboxAction.Issue, OutboxAction.Withdraw, OutboxAction.Issue], entries.Select(e => e.Action));
        Assert.Equal(entries[0].CommunicationKey, entries[1].CommunicationKey);
        Assert.NotEqual(entries[0].CommunicationKey, entries[2].CommunicationKey);
    }

    [Fact]
    public async Task What_was_answered_is_neither_raised_again_nor_withdrawn()
    {
        await DecideAsync("p", Sample.Intent("1"));
        await ChangeAsync("p", record => record.Finish(Assert.Single(record.Communications).Key));
        await DecideAsync("p", Sample.Intent("1"));
        await DecideAsync("p");
        await using TitrationDbContext database = Open();

        Assert.Equal(OutboxAction.Issue, (await database.Outbox.SingleAsync(Token)).Action);
        Assert.Equal(CommunicationState.Withdrawn, (await database.Communications.SingleAsync(Token)).State);
    }
}

public sealed class CommunicationsOnSqlite(SqliteFixture fixture) : CommunicationSuite(fixture), IClassFixture<SqliteFixture>;

public sealed class CommunicationsOnPostgres(PostgresFixture fixture) : CommunicationSuite(fixture), IClassFixture<PostgresFixture>;
