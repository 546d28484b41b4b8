using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Intake;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.Worker.Configuration;

namespace Titration.Worker.Telemetry;

/// <summary>Looks at how the database stands, hands it to the gauges, and raises the alarm for emergency messages that do not leave.</summary>
public sealed partial class Watch(
    IDbContextFactory<TitrationDbContext> contexts, Settings settings, TitrationTelemetry telemetry, IHttpClientFactory http, TimeProvider time, ILogger<Watch> logger)
{
    /// <summary>Name of the client for the webhook.</summary>
    public const string WebhookClient = "alerts";

    /// <summary>So long an emergency message may take to be confirmed by the FHIR server.</summary>
    private static readonly TimeSpan StatPatience = TimeSpan.FromMinutes(5);

    private long _logged;
    private long _posted;

    /// <summary>One look.</summary>
    public async Task<Depths> LookAsync(CancellationToken cancellationToken)
    {
        DateTimeOffset now = time.GetUtcNow();
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        OperatingMode mode = await database.ModeAsync(cancellationToken);
        Depths depths = new(
            now,
            await database.Quarantine.Held().CountAsync(cancellationToken),
            await database.OutboxDepthAsync(cancellationToken, mode),
            await database.CountDueAsync(now, cancellationToken),
            // In shadow nothing is to leave.
            mode == OperatingMode.Shadow ? 0 : await database.CountUnconfirmedStatAsync(now - StatPatience, cancellationToken),
            await database.UnexportedSinceAsync(settings.Ledger.Folder, cancellationToken),
            await database.CountCoursesAsync(cancellationToken));
        telemetry.Report(depths);
        if (depths.UnconfirmedStat > 0)
        {
            await RaiseAlarmAsync(depths, await database.NewestUnconfirmedStatAsync(now - StatPatience, cancellationToken), cancellationToken);
        }

        return depths;
    }

    /// <summary>Each is told of once; the webhook is asked again with every look until it has taken the alarm.</summary>
    private async Task RaiseAlarmAsync(Depths depths, long newest, CancellationToken cancellationToken)
    {
        if (newest > _logged)
        {
            Log.StatUnconfirmed(logger, depths.UnconfirmedStat, StatPatience.TotalMinutes);
            _logged = newest;
        }

        if (newest > _posted && settings.Options.Alerts.Webhook.Length > 0 && await PostAsync(depths, cancellationToken))
        {
            _posted = newest;
        }
    }

    private async Task<bool> PostAsync(Depths depths, CancellationToken cancellationToken)
    {
        try
        {
            using HttpClient client = http.CreateClient(WebhookClient);
            using HttpResponseMessage response = await client.PostAsJsonAsync(
                new Uri(settings.Options.Alerts.Webhook),
                new
                {
                    alert = "stat-unconfirmed",
                    clinic = settings.Clinic.Organization,
                    count = depths.UnconfirmedStat,
                    afterMinutes = StatPatience.TotalMinutes,
                    at = depths.At,
                },
                cancellationToken);
            response.EnsureSuccessStatusCode();
            return true;
        }
        catch (Exception problem) when (problem is HttpRequestException or OperationCanceledException && !cancellationToken.IsCancellationRequested)
        {
            Log.WebhookFailed(logger, (problem as HttpRequestException)?.StatusCode is { } status ? $"HTTP {(int)status}" : problem.GetType().Name);
            return false;
        }
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 4101, Level = LogLevel.Error, Message = "{Count} emergency message(s) are not confirmed by the FHIR server {Minutes} minutes after they were decided. Look at `titration outbox list` and at the server; tell the clinic by other means.")]
        public static partial void StatUnconfirmed(ILogger logger, int count, double minutes);

        [LoggerMessage(EventId = 4102, Level = LogLevel.Error, Message = "The alarm could not be posted to Titration:Alerts:Webhook ({Problem}); it is tried again.")]
        public static partial void WebhookFailed(ILogger logger, string problem);
    }
}
