using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Storage.Delivery;
using Titration.Storage.Model;

namespace Titration.Storage.Tests;

/// <summary>Which mode is in force since when, and what waits for something that is held back.</summary>
public abstract class ModeSuite(DatabaseFixture fixture) : StorageSuite(fixture)
{
    private static readonly DateTimeOffset FarAhead = new(2900, 1, 1, 0, 0, 0, TimeSpan.Zero);

    [Fact]
    public async Task Nothing_leaves_before_a_mode_was_chosen()
    {
        await using TitrationDbContext database = Open();

        Assert.Equal((OperatingMode.Shadow, null), (await database.ModeAsync(Token), await database.LiveSinceAsync(Token)));
    }

    [Fact]
    public async Task A_pause_does_not_begin_the_time_after_going_live_anew_and_a_return_to_shadow_does()
    {
        (OperatingMode Mode, DateTimeOffset? LiveSince)[] expected =
        [
            (OperatingMode.Shadow, null), (OperatingMode.Paused, null), (OperatingMode.Live, At(2)), (OperatingMode.Paused, At(2)), (OperatingMode.Live, At(2)),
            (OperatingMode.Shadow, At(2)), (OperatingMode.Live, At(6)),
        ];

        foreach (((OperatingMode mode, DateTimeOffset? liveSince), int hour) in expected.Select((e, i) => (e, i)))
        {
            await using TitrationDbContext database = Open();
            await database.ChangeModeAsync(mode, "somebody", null, At(hour), Token);
            Assert.Equal((mode, liveSince), (await database.ModeAsync(Token), await database.LiveSinceAsync(Token)));
        }

        static DateTimeOffset At(int hour) => Now.AddHours(hour);
    }

    [Fact]
    public async Task What_comes_after_a_proposal_that_is_held_back_does_not_wait_for_it_nor_for_its_withdrawal()
    {
        CommunicationIntent proposal = Sample.Intent("up", kind: CommunicationKind.StepChange) with { NeedsApproval = true, HasTask = true };
        await DecideAsync("p", proposal);
        OutboxRow held = Assert.Single(await ClaimAsync());
        await using (TitrationDbContext database = Open())
        {
            Assert.True(await database.GiveBackAsync(held, Now, FarAhead - Now, "held-back", Token));
        }

        // The proposal goes, and a question and an urgent task come.
        await DecideAsync("p", Sample.Intent("ask"), Sample.Intent("look", Priority.Urgent, CommunicationKind.Review) with { Audience = Audience.Clinic, HasTask = true });

        Assert.Equal(CommunicationKind.CheckInRequest, Assert.Single(await LeaveAsync()).Kind);
        Assert.Equal(CommunicationKind.Review, Assert.Single(await LeaveAsync()).Kind);
        Assert.Empty(await ClaimAsync());
        await using TitrationDbContext after = Open();
        Assert.Equal(new OutboxDepth(2, 0, null), await after.OutboxDepthAsync(Token));
    }

    [Fact]
    public async Task However_many_workers_send_at_once_no_more_proposals_leave_in_a_day_than_the_clinic_allows()
    {
        for (int i = 0; i < 8; i++)
        {
            await DecideAsync($"p{i}", Sample.Intent("up", kind: CommunicationKind.StepChange) with { NeedsApproval = true, HasTask = true });
        }

        ImmutableArray<OutboxRow> claimed = await ClaimAsync();
        bool[] leave = await Task.WhenAll(claimed.Select(LeavesAsync));
        Assert.Equal((8, 3), (claimed.Length, leave.Count(l => l)));

        // Asked again by whoever has it; one that comes back makes room, one that was sent does not.
        OutboxRow[] left = [.. claimed.Where((_, i) => leave[i])];
        OutboxRow[] waiting = [.. claimed.Where((_, i) => !leave[i])];
        Assert.Equal((true, false), (await LeavesAsync(left[0]), await LeavesAsync(waiting[0])));
        await using (TitrationDbContext database = Open())
        {
            Assert.True(await database.GiveBackAsync(left[0], Now, TimeSpan.Zero, "timeout", Token));
        }

        await using (TitrationDbContext database = Open())
        {
            Assert.True(await database.CompleteAsync(left[1], [], Now, Token));
        }

        Assert.Equal((true, false), (await LeavesAsync(waiting[0]), await LeavesAsync(waiting[1])));

        async Task<bool> LeavesAsync(OutboxRow entry)
        {
            await using TitrationDbContext database = Open();
            return await database.LetProposalLeaveAsync(entry, Now.AddHours(-1), most: 3, Token);
        }
    }

    [Fact]
    public async Task What_is_to_follow_a_hand_over_that_waits_does_not_wait_for_it()
    {
        CommunicationIntent proposal = Sample.Intent("down", kind: CommunicationKind.StepChange) with { NeedsApproval = true, HasTask = true };
        await DecideAsync("p", proposal);
        await LeaveAsync();
        await DecideAsync("p", proposal with { Overdue = true });
        OutboxRow held = Assert.Single(await ClaimAsync());
        await using (TitrationDbContext database = Open())
        {
            Assert.True(await database.GiveBackAsync(held, Now, FarAhead - Now, "held-back", Token));
        }

        await DecideAsync("p");
        Assert.Equal((OutboxAction.HandOver, OutboxAction.Withdraw), (held.Action, Assert.Single(await LeaveAsync()).Action));
        await using TitrationDbContext after = Open();
        Assert.Null((await after.OutboxDepthAsync(Token)).OldestUnsent);
    }

    [Fact]
    public async Task The_age_of_the_outbox_is_that_of_what_the_mode_lets_leave()
    {
        await DecideAsync("p", Sample.Intent("ask"));
        await using TitrationDbContext database = Open();

        Assert.Equal(Now, (await database.OutboxDepthAsync(Token)).OldestUnsent);
        Assert.Null((await database.OutboxDepthAsync(Token, OperatingMode.Paused)).OldestUnsent);
        Assert.Equal((1, null), ((await database.OutboxDepthAsync(Token, OperatingMode.Shadow)).Unsent, (await database.OutboxDepthAsync(Token, OperatingMode.Shadow)).OldestUnsent));
    }

    private async Task<ImmutableArray<OutboxRow>> ClaimAsync()
    {
        await using TitrationDbContext database = Open();
        return await database.ClaimAsync(Now, Hour, 10, onlySafety: false, Token);
    }

    private async Task<ImmutableArray<OutboxRow>> LeaveAsync()
    {
        ImmutableArray<OutboxRow> claimed = await ClaimAsync();
        foreach (OutboxRow entry in claimed)
        {
            await using TitrationDbContext database = Open();
            Assert.True(await database.CompleteAsync(entry, [], Now, Token));
        }

        return claimed;
    }
}

public sealed class ModeOnSqlite(SqliteFixture fixture) : ModeSuite(fixture), IClassFixture<SqliteFixture>;

public sealed class ModeOnPostgres(PostgresFixture fixture) : ModeSuite(fixture), IClassFixture<PostgresFixture>;
