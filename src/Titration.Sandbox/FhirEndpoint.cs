using Microsoft.AspNetCore.Builder;
using Microsoft.AspNetCore.Routing;
using Microsoft.Extensions.DependencyInjection;
using Microsoft.Extensions.Logging;
using Titration.Sandbox.Rest;

namespace Titration.Sandbox;

/// <summary>
/// FHIR R4 REST over a <see cref="FhirStore"/>: what the service needs and no more; <c>GET /metadata</c> says what that is. It has no
/// authentication, so it belongs on the loopback interface, and it is never evidence that the service works with a real server.
/// </summary>
public static class FhirEndpoint
{
    public const int DefaultBodyLimitBytes = 2 * 1024 * 1024;

    /// <param name="basePath">Below this path everything is answered here, errors included.</param>
    /// <param name="bodyLimitBytes">A longer body is refused with 413. The limit of the web server itself holds as well.</param>
    public static IEndpointConventionBuilder MapFhirEndpoint(
        this IEndpointRouteBuilder app, FhirStore store, string basePath = "/fhir", int bodyLimitBytes = DefaultBodyLimitBytes)
    {
        ILogger logger = app.ServiceProvider.GetRequiredService<ILoggerFactory>().CreateLogger(typeof(FhirEndpoint).FullName!);
        string prefix = basePath.TrimEnd('/');
        HttpEdge edge = new(new Interactions(store), new BundleInteraction(store), prefix, bodyLimitBytes, logger);
        return app.Map($"{prefix}/{{**path}}", edge.HandleAsync);
    }
}
