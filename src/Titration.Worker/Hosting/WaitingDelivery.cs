using Titration.Worker.Intake;

namespace Titration.Worker.Hosting;

/// <summary>Tries again what waits for a reference, as long as the service runs, and once at its start what waits for a mapping.</summary>
public sealed partial class WaitingDelivery(WaitingRetry waiting, TimeProvider time, Timing timing, ILogger<WaitingDelivery> logger) : BackgroundService
{
    protected override async Task ExecuteAsync(CancellationToken stoppingToken)
    {
        using PeriodicTimer timer = new(timing.WaitingEvery, time);
        bool mappingRead = false;
        do
        {
            try
            {
                if (!mappingRead)
                {
                    await waiting.ReadUnmappedAgainAsync(stoppingToken);
                    mappingRead = true;
                }

                await waiting.RunAsync(stoppingToken);
            }
            catch (Exception problem) when (problem is not OperationCanceledException)
            {
                // What was not taken in still waits.
                Log.Failed(logger, problem);
            }
        }
        while (await timer.WaitForNextTickAsync(stoppingToken));
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 1101, Level = LogLevel.Error, Message = "Waiting resources could not be tried again; they are tried with the next round.")]
        public static partial void Failed(ILogger logger, Exception problem);
    }
}
