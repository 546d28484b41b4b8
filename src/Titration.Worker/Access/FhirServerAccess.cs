using System.Net;
using Titration.Worker.Configuration;
using Titration.Worker.Delivery;
using Titration.Worker.Hosting;

namespace Titration.Worker.Access;

/// <summary>How the FHIR server is reached: TLS, access tokens, limits, and nothing of an address in a log.</summary>
public static class FhirServerAccess
{
    /// <summary>The longest answer that is read. A search page of the server's is no more than a message to us may be.</summary>
    public const int AnswerBytes = 10 * 1024 * 1024;

    private const int TokenAnswerBytes = 64 * 1024;
    /// <summary>The client that goes to the FHIR server and shows no token: for what every server shows to everybody.</summary>
    internal const string WithoutToken = "fhir-without-token";

    private const string TokenClient = "fhir-access-token";

    public static void Add(IServiceCollection services, Settings settings)
    {
        FhirServerOptions options = settings.Options.FhirServer;
        // Added after the retries: each attempt asks for the token anew.
        Secured(services, WithoutToken, settings, AnswerBytes);
        IHttpClientBuilder server = Secured(services, nameof(FhirServerClient), settings, AnswerBytes);
        if (options.Auth == "none")
        {
            return;
        }

        services.AddTransient<AccessTokenHandler>();
        server.AddHttpMessageHandler<AccessTokenHandler>();
        if (options.Auth == "bearer")
        {
            services.AddSingleton<IAccessTokens>(new BearerFile(options.TokenFile));
            return;
        }

        Secured(services, TokenClient, settings, TokenAnswerBytes).ConfigureHttpClient(http => http.Timeout = TimeSpan.FromSeconds(options.TimeoutSeconds));
        services.AddSingleton<IAccessTokens>(provider => new SmartTokens(
            provider.GetRequiredService<IHttpClientFactory>().CreateClient(TokenClient),
            provider.GetRequiredService<FhirServerAddress>(),
            options.Smart,
            new TransportRules(options.DangerouslyAllowPlainHttp),
            provider.GetRequiredService<TimeProvider>()));
    }

    private static IHttpClientBuilder Secured(IServiceCollection services, string client, Settings settings, int answerBytes) => services
        .AddHttpClient(client)
        // Addresses hold the ids of patients' resources.
        .RemoveAllLoggers()
        .ConfigureHttpClient(http => http.MaxResponseContentBufferSize = answerBytes)
        // The client is kept for as long as the service runs: its handler must not be exchanged under it, and its connections see a change of the address themselves.
        .SetHandlerLifetime(Timeout.InfiniteTimeSpan)
        .ConfigurePrimaryHttpMessageHandler(() => new SocketsHttpHandler
        {
            SslOptions = settings.Security.FhirServer.ClientOptions(),
            PooledConnectionLifetime = TimeSpan.FromMinutes(5),
            // What goes to the clinic's server goes there and nowhere else.
            AllowAutoRedirect = false,
            UseCookies = false,
            AutomaticDecompression = DecompressionMethods.None,
        });
}
