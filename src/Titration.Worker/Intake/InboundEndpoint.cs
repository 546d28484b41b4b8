using MassTransit;

namespace Titration.Worker.Intake;

/// <summary><c>POST /inbound</c> of the embedded mode: FHIR JSON from curl takes the same way as a message from the queue.</summary>
public static class InboundEndpoint
{
    private const long MaximumBytes = 10 * 1024 * 1024;

    public static void MapInbound(this IEndpointRouteBuilder app) => app.MapPost("/inbound", async (HttpRequest request, IRequestClient<FhirResourceReceived> bus) =>
    {
        if (request.ContentLength > MaximumBytes)
        {
            return Results.Problem($"The body is over {MaximumBytes / 1024 / 1024} MiB; send the resources in smaller Bundles.", statusCode: 413);
        }

        using MemoryStream body = new();
        byte[] buffer = new byte[81920];
        int read;
        while ((read = await request.Body.ReadAsync(buffer, request.HttpContext.RequestAborted)) > 0)
        {
            if (body.Length + read > MaximumBytes)
            {
                return Results.Problem($"The body is over {MaximumBytes / 1024 / 1024} MiB; send the resources in smaller Bundles.", statusCode: 413);
            }

            body.Write(buffer, 0, read);
        }

        // Answered after the commit: what got a 2xx survives a kill.
        string? traceParent = request.Headers.TraceParent.Count > 0 ? request.Headers.TraceParent.ToString() : null;
        Response<FhirResourceTakenIn> taken = await bus.GetResponse<FhirResourceTakenIn>(
            new FhirResourceReceived(body.ToArray(), traceParent, "http"), request.HttpContext.RequestAborted);
        bool allRead = taken.Message.Results.All(r => r.Disposition != "quarantined");
        return Results.Json(taken.Message.Results, statusCode: allRead ? StatusCodes.Status200OK : StatusCodes.Status422UnprocessableEntity);
    });
}
