using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>What falls due is looked at by the schedule alone, on one worker or on two that share a database.</summary>
public sealed class ScheduleTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task A_check_in_that_falls_due_at_midnight_is_asked_for_without_any_message()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "due");
        DateTimeOffset midnight = _days.At(7);
        ShiftedClock clock = new(midnight.AddSeconds(-8));
        await using RunningWorker worker = await parts.StartAsync(clock, Cancelled);
        await parts.Broker.PublishAsync(Cancelled, _days.Order("due"));
        await Eventually.HoldsAsync("the course", async () => (await WorkerState.OutcomesAsync(parts, Cancelled)).Count == 1, Cancelled);
        if (clock.GetUtcNow() < midnight)
        {
            Assert.Equal(["Maintain"], await WorkerState.OutcomesAsync(parts, Cancelled));
        }

        SentCommunication request = Assert.Single(await parts.Peer.HoldsAsync(1, Cancelled));

        Assert.Equal(("due", "reminder", "active", "silence"), (request.Patient, request.Kind, request.Status, request.Rule));
        Assert.True(clock.GetUtcNow() >= midnight);
    }

    [Fact]
    public async Task Two_workers_on_one_database_share_the_sweep_and_each_course_is_asked_once()
    {
        const int Patients = 30;
        string[] names = [.. Enumerable.Range(1, Patients).Select(i => $"shared-{i:00}")];
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, names);
        DateTimeOffset midnight = _days.At(7);
        ShiftedClock clock = new(midnight.AddSeconds(-15));
        await using RunningWorker first = await parts.StartAsync(clock, Cancelled);
        await using RunningWorker second = await parts.StartAsync(clock, Cancelled);
        await Eventually.HoldsAsync("two instances in the cluster", async () => await InstancesAsync(parts) == 2, Cancelled);

        await parts.Broker.PublishAsync(Cancelled, names.Select(_days.Order));

        IReadOnlyList<SentCommunication> requests = await parts.Peer.HoldsAsync(Patients, Cancelled);
        Assert.Equal(names, requests.Select(r => r.Patient).Order(StringComparer.Ordinal), StringComparer.Ordinal);
        Assert.All(requests, r => Assert.Equal(("reminder", "active"), (r.Kind, r.Status)));
        Assert.Equal(1, await TriggersAsync(parts));
        await parts.AssertNoErrorAsync(Cancelled);
    }

    private static async Task<int> InstancesAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Database.SqlQuery<int>($"SELECT count(*)::int AS \"Value\" FROM qrtz_scheduler_state").SingleAsync(Cancelled);
    }

    private static async Task<int> TriggersAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Database.SqlQuery<int>($"SELECT count(*)::int AS \"Value\" FROM qrtz_triggers WHERE job_name = 'evaluate-due-courses'").SingleAsync(Cancelled);
    }
}
