// The service as `titration run` starts it, on a clock that a test moves and with shorter waits. The product has no such switch.
//   titration-testhost CLOCK-FILE
using Titration.TestHost;
using Titration.Worker.Configuration;
using Titration.Worker.Hosting;

List<string> problems = [];
if (args is not [var clockFile] || Settings.From(new ConfigurationBuilder().AddEnvironmentVariables().Build(), problems) is not { } settings)
{
    Console.Error.WriteLine($"usage: titration-testhost CLOCK-FILE; settings in the environment. {string.Join("; ", problems)}");
    return 2;
}

Timing timing = new()
{
    Lease = TimeSpan.FromSeconds(3),
    OutboxIdle = TimeSpan.FromMilliseconds(200),
    Redelivery = TimeSpan.FromMilliseconds(100),
    LongestRedelivery = TimeSpan.FromMilliseconds(800),
    LongestStatRedelivery = TimeSpan.FromMilliseconds(400),
    WaitingEvery = TimeSpan.FromMilliseconds(500),
    ClusterCheckIn = TimeSpan.FromSeconds(1),
    RequestRetry = TimeSpan.FromMilliseconds(20),
    CircuitBreak = TimeSpan.FromSeconds(1),
};
using SharedClock clock = SharedClock.Open(clockFile);
await using WebApplication app = await StartUp.StartAsync(settings, clock, timing, Console.Error, CancellationToken.None);
Console.WriteLine("titration is running");
await app.WaitForShutdownAsync();
return 0;
