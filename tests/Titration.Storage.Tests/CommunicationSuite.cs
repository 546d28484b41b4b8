using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Communications;
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
    public async Task What_takes_the_place_of_another_says_so_and_the_other_says_why_it_went()
    {
        await DecideAsync("p", Sample.Intent("1"));
        await DecideAsync("p", Sample.Intent("2"));
        await using TitrationDbContext database = Open();

        List<CommunicationRow> communications = await database.Communications.OrderBy(c => c.Cause).ToListAsync(Token);
        List<OutboxRow> entries = await database.Outbox.OrderBy(o => o.Sequence).ToListAsync(Token);

        Assert.Equal([null, communications[0].Key], communications.Select(c => c.Replaces));
        Assert.Equal([null, WithdrawalReason.Superseded, null], entries.Select(e => e.Reason));
    }

    [Fact]
    public async Task A_task_goes_to_the_pool_once_and_is_no_longer_overdue_when_it_is_answered()
    {
        CommunicationIntent intent = Sample.Intent("1");
        await DecideAsync("p", intent);
        await DecideAsync("p", intent with { Overdue = true });
        await DecideAsync("p", intent with { Overdue = true });
        await using (TitrationDbContext database = Open())
        {
            Assert.Equal([OutboxAction.Issue, OutboxAction.HandOver], await database.Outbox.OrderBy(o => o.Sequence).Select(o => o.Action).ToListAsync(Token));
            Assert.NotNull((await database.Communications.SingleAsync(Token)).OverdueSince);
        }

        await DecideAsync("p", intent);
        await using TitrationDbContext after = Open();
        Assert.Null((await after.Communications.SingleAsync(Token)).OverdueSince);
    }
}

public sealed class CommunicationsOnSqlite(SqliteFixture fixture) : CommunicationSuite(fixture), IClassFixture<SqliteFixture>;

public sealed class CommunicationsOnPostgres(PostgresFixture fixture) : CommunicationSuite(fixture), IClassFixture<PostgresFixture>;
