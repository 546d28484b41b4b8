using System.Collections.Concurrent;
using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Storage.Delivery;
using Titration.Storage.Model;

namespace Titration.Storage.Tests;

/// <summary>What leaves, in which order, and who may say so.</summary>
public abstract class OutboxSuite(DatabaseFixture fixture) : StorageSuite(fixture)
{
    private static readonly DateTimeOffset LongAgo = new(2000, 1, 1, 0, 0, 0, TimeSpan.Zero);
    private static readonly DateTimeOffset FarAhead = new(2900, 1, 1, 0, 0, 0, TimeSpan.Zero);

    [Fact]
    public async Task Several_workers_never_get_the_same_entry_and_keep_each_patients_order()
    {
        string[] patients = [.. Enumerable.Range(0, 15).Select(n => $"p{n:00}")];
        foreach (string patient in patients)
        {
            await DecideAsync(patient, Sample.Intent("1"), Sample.Intent("2", Priority.Urgent), Sample.Intent("3"));
        }

        ConcurrentQueue<(string Patient, long Sequence, int Attempts)> sent = [];
        await Task.WhenAll(Enumerable.Range(0, 4).Select(_ => Task.Run(SendAllAsync)));

        Assert.Equal(45, sent.Count);
        Assert.All(sent, entry => Assert.Equal(1, entry.Attempts));
        foreach (IGrouping<string, (string Patient, long Sequence, int Attempts)> entries in sent.GroupBy(e => e.Patient, StringComparer.Ordinal))
        {
            Assert.Equal([1, 2, 3], entries.Select(e => e.Sequence));
        }

        async Task SendAllAsync()
        {
            while (sent.Count < 45)
            {
                foreach (OutboxRow entry in await ClaimAsync(limit: 4))
                {
                    sent.Enqueue((entry.Patient, entry.Sequence, entry.Attempts));
                    Assert.True(await CompleteAsync(entry));
                }
            }
        }
    }

    [Fact]
    public async Task Entries_of_a_patient_leave_one_after_the_other()
    {
        await DecideAsync("p", Sample.Intent("1"), Sample.Intent("2"));

        OutboxRow first = Assert.Single(await ClaimAsync());
        Assert.Equal((1, OutboxState.Leased, 1, 1), (first.Sequence, first.State, first.Attempts, first.Fence));
        Assert.Empty(await ClaimAsync());

        Assert.True(await CompleteAsync(first));
        Assert.Equal(2, Assert.Single(await ClaimAsync()).Sequence);
    }

    [Fact]
    public async Task A_stat_entry_waits_for_no_other_and_comes_first_of_all()
    {
        await DecideAsync("other", Sample.Intent("1", Priority.Urgent));
        await DecideAsync("p", Sample.Intent("1"), Sample.Intent("2", Priority.Stat));

        Assert.Equal([("p", 2L), ("other", 1L), ("p", 1L)], (await ClaimAsync()).Select(e => (e.Patient, e.Sequence)));
    }

    [Fact]
    public async Task Urgent_is_no_reason_to_overtake_ones_own_earlier_entry()
    {
        await DecideAsync("p", Sample.Intent("1"), Sample.Intent("2", Priority.Urgent));

        Assert.Equal(1, Assert.Single(await ClaimAsync()).Sequence);
    }

    [Fact]
    public async Task Even_a_stat_withdrawal_waits_for_what_it_withdraws()
    {
        await DecideAsync("p", Sample.Intent("1", Priority.Stat));
        await DecideAsync("p");

        OutboxRow issue = Assert.Single(await ClaimAsync());
        Assert.Equal(OutboxAction.Issue, issue.Action);
        Assert.Empty(await ClaimAsync());

        await CompleteAsync(issue);
        OutboxRow withdrawal = Assert.Single(await ClaimAsync());
        Assert.Equal((OutboxAction.Withdraw, 0, issue.CommunicationKey), (withdrawal.Action, withdrawal.Rank, withdrawal.CommunicationKey));
    }

    [Fact]
    public async Task A_dead_letter_holds_back_only_what_depends_on_it()
    {
        await DecideAsync("p", Sample.Intent("1"), Sample.Intent("2"));
        await DecideAsync("p", Sample.Intent("2"), Sample.Intent("3"));
        OutboxRow dead = Assert.Single(await ClaimAsync());
        await using (TitrationDbContext database = Open())
        {
            Assert.True(await database.BuryAsync(dead, "http-422", Token));
        }

        // Sequence 3 withdraws communication 1: it waits for the dead letter, and 4 does not wait for it.
        foreach (long expected in (long[])[2, 4])
        {
            OutboxRow next = Assert.Single(await ClaimAsync());
            Assert.Equal(expected, next.Sequence);
            await CompleteAsync(next);
        }

        Assert.Empty(await ClaimAsync());
        await using (TitrationDbContext database = Open())
        {
            Assert.Equal(new OutboxDepth(1, 1, Now), await database.OutboxDepthAsync(Token));
            Assert.Equal(dead.Id, (await database.Outbox.Dead().SingleAsync(Token)).Id);
            Assert.True(await database.ReviveAsync(dead.Id, Token));
            Assert.False(await database.ReviveAsync(dead.Id, Token));
            Assert.Equal(0, await database.ReviveAllAsync(Token));
        }

        Assert.Equal(1, Assert.Single(await ClaimAsync()).Sequence);
    }

    [Fact]
    public async Task Whoever_was_too_slow_changes_nothing()
    {
        await DecideAsync("p", Sample.Intent("1"));
        OutboxRow slow = Assert.Single(await ClaimAsync(lease: TimeSpan.Zero));
        OutboxRow next = Assert.Single(await ClaimAsync());

        Assert.Equal((2, 2), (next.Fence, next.Attempts));
        await using TitrationDbContext database = Open();
        Assert.False(await CompleteAsync(slow));
        Assert.False(await database.GiveBackAsync(slow, LongAgo, TimeSpan.Zero, "late", Token));
        Assert.False(await database.DropAsync(slow, "late", Token));
        Assert.False(await database.BuryAsync(slow, "late", Token));
        Assert.Empty(await database.SentResources.ToListAsync(Token));
        OutboxRow kept = await database.Outbox.AsNoTracking().SingleAsync(Token);
        Assert.Equal((OutboxState.Leased, 2, null), (kept.State, kept.Fence, kept.Problem));

        Assert.True(await CompleteAsync(next));
        Assert.False(await CompleteAsync(next));
    }

    [Fact]
    public async Task An_entry_given_back_waits_and_so_do_the_later_ones_of_its_patient()
    {
        await DecideAsync("p", Sample.Intent("1"), Sample.Intent("2"));
        await using TitrationDbContext database = Open();

        Assert.True(await database.GiveBackAsync(Assert.Single(await ClaimAsync()), LongAgo, TimeSpan.Zero, "http-503", Token));
        OutboxRow again = Assert.Single(await ClaimAsync());
        Assert.Equal((1, 2, "http-503"), (again.Sequence, again.Attempts, again.Problem));
        Assert.True(await database.GiveBackAsync(again, FarAhead, TimeSpan.FromDays(1), "http-429", Token));

        Assert.Empty(await ClaimAsync());
    }

    [Fact]
    public async Task A_dropped_entry_lets_the_next_one_go()
    {
        await DecideAsync("p", Sample.Intent("1"), Sample.Intent("2"));
        await using TitrationDbContext database = Open();

        Assert.True(await database.DropAsync(Assert.Single(await ClaimAsync()), "grounds-gone", Token));

        Assert.Equal(2, Assert.Single(await ClaimAsync()).Sequence);
    }

    [Fact]
    public async Task While_paused_only_safety_referrals_and_withdrawals_leave_and_wait_for_nothing_else()
    {
        await DecideAsync("p", Sample.Intent("sent"));
        await CompleteAsync(Assert.Single(await ClaimAsync()));
        await DecideAsync("p", Sample.Intent("held-1"), Sample.Intent("held-2"));
        await DecideAsync("p", Sample.Intent("held-2"), Sample.Intent("hives", Priority.Urgent, CommunicationKind.SafetyReferral));

        // 2 withdraws what was sent; 3 and 4 are held; 5 withdraws 3, which never left; 6 is the referral.
        foreach (long expected in (long[])[2, 6])
        {
            OutboxRow next = Assert.Single(await ClaimAsync(onlySafety: true));
            Assert.Equal(expected, next.Sequence);
            await CompleteAsync(next);
        }

        Assert.Empty(await ClaimAsync(onlySafety: true));
        Assert.Equal(3, Assert.Single(await ClaimAsync()).Sequence);
    }

    [Fact]
    public async Task An_unconfirmed_stat_entry_is_counted_until_it_is_sent()
    {
        await DecideAsync("p", Sample.Intent("1", Priority.Stat), Sample.Intent("2", Priority.Urgent));
        await using TitrationDbContext database = Open();

        Assert.Equal(0, await database.CountUnconfirmedStatAsync(Now.AddMilliseconds(-1), Token));
        Assert.Equal(0, await database.NewestUnconfirmedStatAsync(Now.AddMilliseconds(-1), Token));
        Assert.Equal(1, await database.CountUnconfirmedStatAsync(Now, Token));
        OutboxRow stat = (await ClaimAsync(limit: 1))[0];
        Assert.Equal(stat.Id, await database.NewestUnconfirmedStatAsync(Now, Token));
        Assert.Equal(1, await database.CountUnconfirmedStatAsync(Now, Token));
        await CompleteAsync(stat);
        Assert.Equal(0, await database.CountUnconfirmedStatAsync(Now, Token));
    }

    [Fact]
    public async Task Ending_all_leases_at_a_start_frees_the_entries_and_fences_off_their_holders()
    {
        await DecideAsync("p", Sample.Intent("1"));
        OutboxRow before = Assert.Single(await ClaimAsync());
        await using TitrationDbContext database = Open();

        Assert.Equal(1, await database.EndLeasesAsync(Token));

        Assert.False(await CompleteAsync(before));
        Assert.Equal(3, Assert.Single(await ClaimAsync()).Fence);
    }

    protected async Task<ImmutableArray<OutboxRow>> ClaimAsync(int limit = 10, TimeSpan? lease = null, bool onlySafety = false)
    {
        await using TitrationDbContext database = Open();
        return await database.ClaimAsync(Now, lease ?? Hour, limit, onlySafety, Token);
    }

    protected async Task<bool> CompleteAsync(OutboxRow entry, params SentResourceRow[] held)
    {
        await using TitrationDbContext database = Open();
        return await database.CompleteAsync(entry, held, Now, Token);
    }
}

public sealed class OutboxOnSqlite(SqliteFixture fixture) : OutboxSuite(fixture), IClassFixture<SqliteFixture>
{
    [Fact]
    public async Task A_lease_runs_out_by_the_instant_that_is_passed_in()
    {
        await DecideAsync("p", Sample.Intent("1"));
        await ClaimAsync(lease: Hour);
        await using TitrationDbContext database = Open();

        Assert.Empty(await database.ClaimAsync(Now + Hour - TimeSpan.FromMilliseconds(1), Hour, 10, onlySafety: false, Token));
        Assert.Single(await database.ClaimAsync(Now + Hour, Hour, 10, onlySafety: false, Token));
    }
}

public sealed class OutboxOnPostgres(PostgresFixture fixture) : OutboxSuite(fixture), IClassFixture<PostgresFixture>
{
    [Fact]
    public async Task A_claim_passes_over_what_another_is_just_claiming_and_does_not_wait()
    {
        await DecideAsync("a", Sample.Intent("1"), Sample.Intent("2"));
        await DecideAsync("b", Sample.Intent("1"));
        await using TitrationDbContext first = Open();
        await using var transaction = await first.Database.BeginTransactionAsync(Token);
        Assert.Equal("a", Assert.Single(await first.ClaimAsync(Now, Hour, 1, onlySafety: false, Token)).Patient);

        Assert.Equal("b", Assert.Single(await ClaimAsync()).Patient);
    }

    [Fact]
    public async Task A_lease_goes_by_the_clock_of_the_database()
    {
        await DecideAsync("p", Sample.Intent("1"));
        await ClaimAsync(lease: Hour);
        await using TitrationDbContext database = Open();

        Assert.Empty(await database.ClaimAsync(FarFromHere, Hour, 10, onlySafety: false, Token));
        await database.Database.ExecuteSqlAsync($"UPDATE outbox SET lease_until = now()", Token);
        Assert.Single(await database.ClaimAsync(Now, Hour, 10, onlySafety: false, Token));
    }

    private static DateTimeOffset FarFromHere => new(2900, 1, 1, 0, 0, 0, TimeSpan.Zero);
}
