using System.Net;
using Titration.Worker.Access;
using Titration.Worker.Configuration;

namespace Titration.Worker.Pages;

/// <summary>
/// <c>GET /status</c>. On the port for health checks it is there for this machine alone; from others it is shown over HTTPS, where a secret is set, to
/// whoever shows it. Everybody else is told that there is no such page.
/// </summary>
internal static class StatusEndpoint
{
    public static void MapStatus(this WebApplication app, Settings settings) => app.MapGet("/status", async (HttpContext context, StatusReader reader) =>
    {
        if (Refusal(context, settings) is { } refusal)
        {
            return refusal;
        }

        string page = StatusPage.Of(await reader.LookAsync(context.RequestAborted), settings);
        IHeaderDictionary headers = context.Response.Headers;
        headers.ContentSecurityPolicy = $"{Html.PolicyOf(StatusPage.Sheet)}; frame-ancestors 'none'";
        headers.XContentTypeOptions = "nosniff";
        headers.CacheControl = "no-store";
        headers["Referrer-Policy"] = "no-referrer";
        headers["Cross-Origin-Resource-Policy"] = "same-origin";
        return Results.Content(page, "text/html; charset=utf-8");
    });

    private static IResult? Refusal(HttpContext context, Settings settings)
    {
        if (IsThisMachine(context))
        {
            return null;
        }

        string file = settings.Options.Status.TokenFile;
        if (file.Length == 0 || !context.Request.IsHttps)
        {
            return Results.NotFound();
        }

        switch (SharedSecret.IsShownBy(context.Request, file))
        {
            case true:
                return null;
            case null:
                return Results.Problem("The secret cannot be checked.", statusCode: StatusCodes.Status503ServiceUnavailable);
            case false:
                context.Response.Headers.WWWAuthenticate = "Basic realm=\"status\", charset=\"UTF-8\"";
                return Results.Unauthorized();
        }
    }

    /// <summary>
    /// From this machine and meant for it: not passed on by a proxy, and not by a page elsewhere whose name was made to mean this machine.
    /// </summary>
    private static bool IsThisMachine(HttpContext context)
    {
        bool direct = context.Connection.RemoteIpAddress is { } from && IPAddress.IsLoopback(from)
            && !context.Request.Headers.ContainsKey("Forwarded") && !context.Request.Headers.ContainsKey("X-Forwarded-For");
        string host = context.Request.Host.Host.Trim('[', ']');
        return direct && (host.Equals("localhost", StringComparison.OrdinalIgnoreCase) || (IPAddress.TryParse(host, out IPAddress? address) && IPAddress.IsLoopback(address)));
    }
}
