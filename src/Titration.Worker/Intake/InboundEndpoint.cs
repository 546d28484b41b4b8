using System.Collections.Immutable;
using System.Threading.RateLimiting;
using MassTransit;
using Titration.Fhir.Reading;
using Titration.Worker.Access;
using Titration.Worker.Configuration;
using Titration.Worker.Hosting;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Intake;

/// <summary>
/// <c>POST /inbound</c>. In the embedded mode FHIR JSON from curl takes the same way as a message from the queue. Outside of it the endpoint exists only
/// where a secret is set, answers over HTTPS to whoever shows it, and puts what comes onto the queue. FHIR servers differ in how a subscription delivers: a Bundle
/// or a resource by POST, or a resource under its id, by PUT and DELETE.
/// </summary>
public static class InboundEndpoint
{
    private const int MaximumBytes = 10 * 1024 * 1024;

    /// <summary>Bodies in memory at once, and senders that wait their turn without having been read.</summary>
    private const int AtOnce = 4;
    private const int Waiting = 64;

    public static void MapInbound(this WebApplication app, Settings settings)
    {
        // The host ends it: an instance lives as long as the process.
        ConcurrencyLimiter turns = new(new ConcurrencyLimiterOptions { PermitLimit = AtOnce, QueueLimit = Waiting, QueueProcessingOrder = QueueProcessingOrder.OldestFirst });
        app.Lifetime.ApplicationStopped.Register(turns.Dispose);
        app.MapPost("/inbound", (HttpRequest request, TitrationTelemetry telemetry) => ReceiveAsync(request, telemetry, BodyAsync));
        app.MapMethods(
            "/inbound/{type}/{id}", [HttpMethods.Put, HttpMethods.Post],
            (string type, string id, HttpRequest request, TitrationTelemetry telemetry) => ReceiveAsync(request, telemetry, BodyAsync));
        app.MapDelete("/inbound/{type}/{id}", (string type, string id, HttpRequest request, TitrationTelemetry telemetry, TimeProvider time) =>
            ReceiveAsync(request, telemetry, _ => Task.FromResult<byte[]?>(References.Deletion(new ResourceHeader(type, id, null, null), time.GetUtcNow()))));

        async Task<IResult> ReceiveAsync(HttpRequest request, TitrationTelemetry telemetry, Func<HttpRequest, Task<byte[]?>> read)
        {
            if (Refusal(request, settings) is { } refusal)
            {
                telemetry.Inbound("unknown", "unauthorized");
                return refusal;
            }

            if (request.ContentLength > MaximumBytes)
            {
                return TooLarge();
            }

            using RateLimitLease turn = await turns.AcquireAsync(1, request.HttpContext.RequestAborted);
            if (!turn.IsAcquired)
            {
                return NotNow(request, "Too many send at once.");
            }

            return await read(request) is { } body ? await TakeInAsync(request, body, settings) : TooLarge();
        }
    }

    /// <summary>Before a byte of the body is read.</summary>
    private static IResult? Refusal(HttpRequest request, Settings settings)
    {
        InboundOptions options = settings.Options.Inbound;
        if (options.TokenFile.Length == 0)
        {
            return null;
        }

        // The port for health checks has no TLS: a secret shown there is no secret any more, so there is nothing to show it to.
        if (!settings.Options.EmbeddedBroker && !request.IsHttps)
        {
            return Results.NotFound();
        }

        switch (SharedSecret.IsShownBy(request, options.TokenFile))
        {
            case true:
                return null;
            case null:
                return NotNow(request, "The secret cannot be checked.");
            case false:
                request.HttpContext.Response.Headers.WWWAuthenticate = "Bearer";
                return Results.Unauthorized();
        }
    }

    /// <summary>The body; null where it is too large.</summary>
    private static async Task<byte[]?> BodyAsync(HttpRequest request)
    {
        using MemoryStream body = new();
        byte[] buffer = new byte[81920];
        int read;
        while ((read = await request.Body.ReadAsync(buffer, request.HttpContext.RequestAborted)) > 0)
        {
            if (body.Length + read > MaximumBytes)
            {
                return null;
            }

            body.Write(buffer, 0, read);
        }

        return body.ToArray();
    }

    // Answered after the commit, or the broker's confirmation: what got a 2xx survives a kill.
    private static async Task<IResult> TakeInAsync(HttpRequest request, byte[] body, Settings settings)
    {
        string? traceParent = request.Headers.TraceParent.Count > 0 ? request.Headers.TraceParent.ToString() : null;
        IServiceProvider services = request.HttpContext.RequestServices;
        CancellationToken cancellationToken = request.HttpContext.RequestAborted;
        if (!settings.Options.EmbeddedBroker)
        {
            return await services.GetRequiredService<InboundPublisher>().PublishAsync(body, traceParent, cancellationToken)
                ? Results.Accepted()
                : NotNow(request, "The queue cannot be used now; nothing was taken in.");
        }

        try
        {
            IRequestClient<FhirResourceReceived> bus = services.GetRequiredService<IRequestClient<FhirResourceReceived>>();
            Response<FhirResourceTakenIn> taken = await bus.GetResponse<FhirResourceTakenIn>(new FhirResourceReceived(body, traceParent, "http"), cancellationToken);
            ImmutableArray<IntakeResult> results = taken.Message.Results;
            bool allRead = results.All(r => r.Disposition != "quarantined");
            return Results.Json(results, statusCode: allRead ? StatusCodes.Status200OK : StatusCodes.Status422UnprocessableEntity);
        }
        catch (Exception problem) when (Infrastructure.IsTrouble(problem))
        {
            return NotNow(request, "The database cannot be used now; nothing was taken in.");
        }
    }

    private static IResult TooLarge() =>
        Results.Problem($"The body is over {MaximumBytes / 1024 / 1024} MiB; send the resources in smaller Bundles.", statusCode: StatusCodes.Status413PayloadTooLarge);

    private static IResult NotNow(HttpRequest request, string why)
    {
        request.HttpContext.Response.Headers.RetryAfter = "5";
        return Results.Problem($"{why} Send it again later.", statusCode: StatusCodes.Status503ServiceUnavailable);
    }
}
