using Titration.Worker.Intake;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Hosting;

/// <summary>Looks after the gauges every 15 seconds, and once a day after what was kept long enough, the first time at the start.</summary>
public sealed partial class Housekeeping(Watch watch, QuarantineRetention retention, TimeProvider time, ILogger<Housekeeping> logger) : BackgroundService
{
    private static readonly TimeSpan Every = TimeSpan.FromSeconds(15);
    private static readonly TimeSpan Daily = TimeSpan.FromDays(1);
    private static readonly TimeSpan AfterFailure = TimeSpan.FromHours(1);

    public static void Add(IServiceCollection services, bool scheduled)
    {
        services.AddHttpClient(Watch.WebhookClient, client => client.Timeout = TimeSpan.FromSeconds(10))
            // The address may hold a secret.
            .RemoveAllLoggers();
        services.AddSingleton<Watch>();
        services.AddSingleton<QuarantineRetention>();
        if (scheduled)
        {
            services.AddHostedService<Housekeeping>();
        }
    }

    protected override async Task ExecuteAsync(CancellationToken stoppingToken)
    {
        using PeriodicTimer timer = new(Every, time);
        DateTimeOffset removeAt = DateTimeOffset.MinValue;
        do
        {
            try
            {
                await watch.LookAsync(stoppingToken);
                if (time.GetUtcNow() >= removeAt)
                {
                    removeAt = time.GetUtcNow() + AfterFailure;
                    await retention.RunAsync(stoppingToken);
                    removeAt = time.GetUtcNow() + Daily;
                }
            }
            catch (Exception problem) when (problem is not OperationCanceledException)
            {
                // The gauges keep their last values; readiness says that the database is away.
                Log.Failed(logger, problem);
            }
        }
        while (await timer.WaitForNextTickAsync(stoppingToken));
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 1401, Level = LogLevel.Error, Message = "The figures could not be read or old messages not removed; it is tried again.")]
        public static partial void Failed(ILogger logger, Exception problem);
    }
}
