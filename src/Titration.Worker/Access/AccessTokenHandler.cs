using System.Net;
using System.Net.Http.Headers;
using Titration.Worker.Hosting;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Access;

/// <summary>
/// Puts the access token onto requests to the FHIR server. After a 401 a new token is asked for once and the request sent once more; a second 401
/// goes back as it is, which counts as a server that cannot be used now: the entry waits, and somebody is told.
/// </summary>
public sealed partial class AccessTokenHandler(
    IAccessTokens tokens, FhirServerAddress server, TitrationTelemetry telemetry, ILogger<AccessTokenHandler> logger) : DelegatingHandler
{
    protected override async Task<HttpResponseMessage> SendAsync(HttpRequestMessage request, CancellationToken cancellationToken)
    {
        if (request.RequestUri is null || !server.Value.IsBaseOf(request.RequestUri))
        {
            throw new InvalidOperationException("A token of the FHIR server's was about to leave for another address.");
        }

        string token = await TokenAsync(null, cancellationToken);
        HttpResponseMessage response = await SendAsync(request, token, cancellationToken);
        if (response.StatusCode != HttpStatusCode.Unauthorized)
        {
            return response;
        }

        string another;
        try
        {
            another = await TokenAsync(token, cancellationToken);
        }
        catch
        {
            response.Dispose();
            throw;
        }

        if (another != token)
        {
            // Nothing of a request that got a 401 was carried out.
            response.Dispose();
            response = await SendAsync(request, another, cancellationToken);
        }

        if (response.StatusCode == HttpStatusCode.Unauthorized)
        {
            telemetry.Access("rejected");
            Log.Rejected(logger);
        }

        return response;
    }

    private async Task<string> TokenAsync(string? rejected, CancellationToken cancellationToken)
    {
        try
        {
            return await tokens.GetAsync(rejected, cancellationToken);
        }
        catch (AccessTokenException problem)
        {
            telemetry.Access("no-token");
            Log.NoToken(logger, problem.Reason);
            throw;
        }
    }

    private Task<HttpResponseMessage> SendAsync(HttpRequestMessage request, string token, CancellationToken cancellationToken)
    {
        request.Headers.Authorization = new AuthenticationHeaderValue("Bearer", token);
        return base.SendAsync(request, cancellationToken);
    }

    private static partial class Log
    {
        [LoggerMessage(EventId = 3101, Level = LogLevel.Error, Message = "The FHIR server does not accept the access token (HTTP 401), a new one included where one was to be had. What is to be sent waits.")]
        public static partial void Rejected(ILogger logger);

        [LoggerMessage(EventId = 3102, Level = LogLevel.Error, Message = "No access token for the FHIR server could be had ({Reason}). What is to be sent waits.")]
        public static partial void NoToken(ILogger logger, string reason);
    }
}
