using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>Database and broker go away and come back while messages arrive: nothing is lost, nothing is said twice.</summary>
public sealed class RestartTests
{
    private const int Patients = 12;

    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task The_database_restarts_while_messages_arrive_and_nothing_is_lost_or_taken_for_a_defect()
    {
        await using PrivateService postgres = await PrivateService.StartAsync("postgres", Cancelled);
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled, database: postgres.Postgres);
        await parts.KnowPatientsAsync(Cancelled, Names);
        await using RunningWorker worker = await parts.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);

        await parts.Broker.PublishAsync(Cancelled, Names.Select(_days.Order));
        await postgres.StopAsync(Cancelled);
        await parts.Broker.PublishAsync(Cancelled, Names.Select(n => _days.Swelling(n, 5)));
        await Eventually.HoldsAsync("all messages in the worker's hands", async () => await parts.Broker.DepthAsync(Broker.Queue, Cancelled) == 0, Cancelled);
        await parts.AssertNoErrorAsync(Cancelled);
        await postgres.StartAsync(Cancelled);

        await AssertAllReferredOnceAsync(parts);
    }

    [Fact]
    public async Task The_broker_restarts_while_messages_arrive_and_nothing_is_lost()
    {
        await using PrivateService rabbit = await PrivateService.StartAsync("rabbitmq", Cancelled);
        (Uri server, Uri management) = rabbit.RabbitMq;
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled, broker: await Broker.CreateAsync(server, management, Cancelled));
        await parts.KnowPatientsAsync(Cancelled, Names);
        await using RunningWorker worker = await parts.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);

        await parts.Broker.PublishAsync(Cancelled, Names.Select(_days.Order));
        await rabbit.StopAsync(Cancelled);
        await rabbit.StartAsync(Cancelled);
        await parts.Broker.PublishAsync(Cancelled, Names.Select(n => _days.Swelling(n, 5)));

        await AssertAllReferredOnceAsync(parts);
    }

    private static IEnumerable<string> Names => Enumerable.Range(1, Patients).Select(i => $"restart-{i:00}");

    private static async Task AssertAllReferredOnceAsync(Surroundings parts)
    {
        await Eventually.CountsAsync("facts", 2 * Patients, () => WorkerState.FactsAsync(parts, Cancelled), Cancelled, TimeSpan.FromSeconds(60));
        IReadOnlyList<SentCommunication> alerts = await Eventually.BecomesAsync<IReadOnlyList<SentCommunication>>(
            "a referral for each patient",
            async () => [.. (await parts.Peer.CommunicationsAsync(Cancelled)).Where(c => c is { Kind: "alert", IsOpen: true })],
            all => all.Count >= Patients, Cancelled, TimeSpan.FromSeconds(60));
        Assert.Equal(Names, alerts.Select(a => a.Patient).Order(StringComparer.Ordinal), StringComparer.Ordinal);
        await parts.AssertNoErrorAsync(Cancelled);
    }
}
