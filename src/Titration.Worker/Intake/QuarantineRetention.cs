using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Intake;
using Titration.Worker.Configuration;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Intake;

/// <summary>Removes from quarantine what has not come for as long as the clinic keeps such messages. Dead letters of the outbox stay until somebody decides.</summary>
public sealed partial class QuarantineRetention(
    IDbContextFactory<TitrationDbContext> contexts, Settings settings, TitrationTelemetry telemetry, TimeProvider time, ILogger<QuarantineRetention> logger)
{
    /// <returns>How many messages were removed.</returns>
    public async Task<int> RunAsync(CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        int days = settings.Options.Retention.QuarantineDays;
        int removed = await database.RemoveReceivedBeforeAsync(time.GetUtcNow().AddDays(-days), cancellationToken);
        if (removed > 0)
        {
            telemetry.RemovedFromQuarantine(removed);
            Log.Removed(logger, removed, days);
        }

        return removed;
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 1301, Level = LogLevel.Information, Message = "{Count} message(s) were removed from quarantine: they came last more than {Days} days ago.")]
        public static partial void Removed(ILogger logger, int count, int days);
    }
}
