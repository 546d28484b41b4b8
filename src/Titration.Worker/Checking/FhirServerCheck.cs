using System.Collections.Immutable;
using System.Net;
using System.Text.Json;
using Titration.Worker.Access;
using Titration.Worker.Configuration;
using Titration.Worker.Delivery;
using Titration.Worker.Hosting;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Checking;

/// <summary>The clinic's FHIR server. It is only read from.</summary>
internal static class FhirServerCheck
{
    public const string Subject = "FHIR server";
    private const string TlsSubject = "FHIR server's TLS";
    private const string ClockSubject = "FHIR server's clock";
    private const string AbilitiesSubject = "CapabilityStatement";

    /// <summary>What its statement says, and when.</summary>
    private sealed record Asked(HttpStatusCode Status, ServerAbilities? Abilities, DateTimeOffset? Date, DateTimeOffset Before, DateTimeOffset After);

    public static async Task<ImmutableArray<CheckRow>> RunAsync(Settings settings, TimeProvider time, TimeSpan patience, CancellationToken cancellationToken)
    {
        await using ServiceProvider services = Services(settings, time);
        Uri fhirBase = services.GetRequiredService<FhirServerAddress>().Value;
        IHttpClientFactory clients = services.GetRequiredService<IHttpClientFactory>();
        using HttpClient open = clients.CreateClient(FhirServerAccess.WithoutToken);
        using HttpClient http = clients.CreateClient(nameof(FhirServerClient));
        open.Timeout = http.Timeout = TimeSpan.FromSeconds(Math.Min(settings.Options.FhirServer.TimeoutSeconds, patience.TotalSeconds));
        Asked asked;
        try
        {
            asked = await AskAsync(open, fhirBase, time, cancellationToken);
        }
        catch (Exception problem) when (IsUnreachable(problem, cancellationToken))
        {
            return
            [
                settings.Options.EmbeddedFhirServer
                    ? CheckRow.NotChecked(Subject, "the embedded one, for trying it out: it comes and goes with `titration run`", "Set Titration__FhirServer__BaseUrl to the clinic's.")
                    : await DeadAsync(settings, fhirBase, problem, cancellationToken),
                .. CheckRow.Unseen("the FHIR server does not answer", ClockSubject, AccessCheck.TokenSubject, AbilitiesSubject, AccessCheck.ReadingSubject),
            ];
        }

        ImmutableArray<CheckRow> tls = settings.Options.EmbeddedFhirServer
            ? []
            : [await TlsCheck.RunAsync(TlsSubject, fhirBase, fhirBase.Scheme == "https", 443, settings.Security.FhirServer, cancellationToken)];
        ImmutableArray<CheckRow> token = await AccessCheck.TokenAsync(settings.Options.FhirServer, services.GetService<IAccessTokens>(), cancellationToken);
        bool opens = token[0].State == CheckState.Ok;
        try
        {
            if (asked.Abilities is null && opens && settings.Options.FhirServer.Auth != "none")
            {
                // Some keep even their statement for those who are known.
                asked = await AskAsync(http, fhirBase, time, cancellationToken);
            }

            return
            [
                Server(settings, fhirBase, asked),
                .. tls,
                asked.Date is { } date
                    ? ClockRow.Of(ClockSubject, date, asked.Before, asked.After, TimeSpan.FromSeconds(1))
                    : CheckRow.NotChecked(ClockSubject, "its answers have no Date"),
                .. token,
                .. asked.Abilities is { } abilities ? AbilitiesCheck.Of(abilities, settings.Options.FhirServer.PollSeconds) : [Statement(asked.Status, fhirBase)],
                .. opens ? await AccessCheck.ReadingAsync(http, fhirBase, settings, cancellationToken) : CheckRow.Unseen("no token", AccessCheck.ReadingSubject),
            ];
        }
        catch (Exception problem) when (IsUnreachable(problem, cancellationToken))
        {
            return
            [
                CheckRow.Wrong(Subject, $"{fhirBase} answers one time and not another ({problem.GetType().Name})", "See its log, and what stands between."),
                .. tls, .. token, .. CheckRow.Unseen("the FHIR server stopped answering", AbilitiesSubject, AccessCheck.ReadingSubject),
            ];
        }
    }

    private static bool IsUnreachable(Exception problem, CancellationToken cancellationToken) =>
        problem is HttpRequestException || (problem is OperationCanceledException && !cancellationToken.IsCancellationRequested);

    /// <summary>The way to the server that the service takes, without its retries: what is wrong is to be seen at once.</summary>
    private static ServiceProvider Services(Settings settings, TimeProvider time)
    {
        ServiceCollection services = new();
        services.AddLogging(logging => logging.ClearProviders());
        services.AddSingleton(settings);
        services.AddSingleton(time);
        services.AddSingleton<TitrationTelemetry>();
        services.AddSingleton<FhirServerAddress>();
        FhirServerAccess.Add(services, settings);
        return services.BuildServiceProvider();
    }

    private static async Task<Asked> AskAsync(HttpClient http, Uri fhirBase, TimeProvider time, CancellationToken cancellationToken)
    {
        using HttpRequestMessage request = new(HttpMethod.Get, new Uri(fhirBase, "metadata"));
        request.Headers.Accept.ParseAdd("application/fhir+json");
        DateTimeOffset before = time.GetUtcNow();
        using HttpResponseMessage response = await http.SendAsync(request, cancellationToken);
        DateTimeOffset after = time.GetUtcNow();
        ServerAbilities? abilities = response.IsSuccessStatusCode ? Parse(await response.Content.ReadAsByteArrayAsync(cancellationToken)) : null;
        return new Asked(response.StatusCode, abilities, response.Headers.Date, before, after);
    }

    private static ServerAbilities? Parse(byte[] body)
    {
        try
        {
            using JsonDocument statement = JsonDocument.Parse(body);
            return ServerAbilities.Text(statement.RootElement, "resourceType") == "CapabilityStatement" ? ServerAbilities.Of(statement.RootElement) : null;
        }
        catch (JsonException)
        {
            return null;
        }
    }

    private static CheckRow Server(Settings settings, Uri fhirBase, Asked asked) => settings.Options.EmbeddedFhirServer
        ? CheckRow.Warning(Subject, $"the embedded one at {fhirBase}: for trying it out, and no evidence of interoperability", "Set Titration__FhirServer__BaseUrl to the clinic's.")
        : CheckRow.Ok(Subject, $"{fhirBase} answers{(asked.Abilities?.Software is { Length: > 0 } software ? $": {software}" : "")}");

    private static async Task<CheckRow> DeadAsync(Settings settings, Uri fhirBase, Exception problem, CancellationToken cancellationToken) => problem switch
    {
        HttpRequestException { HttpRequestError: HttpRequestError.SecureConnectionError } =>
            await TlsCheck.RunAsync(Subject, fhirBase, isSecure: true, 443, settings.Security.FhirServer, cancellationToken) is { State: CheckState.Wrong } row
                ? row
                : CheckRow.Wrong(Subject, $"{fhirBase}: no TLS to be had", "See its certificate, and whether it wants one of ours."),
        HttpRequestException { HttpRequestError: HttpRequestError.NameResolutionError } => CheckRow.Wrong(Subject, $"{fhirBase.Host} is no name that is known here", "Correct Titration__FhirServer__BaseUrl, or the name service."),
        HttpRequestException => CheckRow.Wrong(Subject, $"{fhirBase} does not answer (connection refused or cut)", "See whether it runs and can be reached from here; its address is in Titration__FhirServer__BaseUrl."),
        _ => CheckRow.Wrong(Subject, $"{fhirBase} does not answer in time", "See whether it runs and can be reached from here, and what a firewall does; its address is in Titration__FhirServer__BaseUrl."),
    };

    private static CheckRow Statement(HttpStatusCode status, Uri fhirBase) => status switch
    {
        HttpStatusCode.OK => CheckRow.Wrong(AbilitiesSubject, $"{fhirBase}metadata answers, and not with a CapabilityStatement", "Correct Titration__FhirServer__BaseUrl: it is the address that /metadata comes after."),
        HttpStatusCode.NotFound => CheckRow.Wrong(AbilitiesSubject, $"there is none at {fhirBase}metadata (HTTP 404)", "Correct Titration__FhirServer__BaseUrl: it is the address that /metadata comes after."),
        HttpStatusCode.Unauthorized or HttpStatusCode.Forbidden => CheckRow.Wrong(AbilitiesSubject, $"the server does not show it to us (HTTP {(int)status})", "See the rows about the token."),
        >= HttpStatusCode.MultipleChoices and < HttpStatusCode.BadRequest => CheckRow.Wrong(AbilitiesSubject, $"the server sends us elsewhere (HTTP {(int)status}), and redirections are not followed", "Set Titration__FhirServer__BaseUrl to where it leads, if that is right."),
        _ => CheckRow.Wrong(AbilitiesSubject, $"HTTP {(int)status}", "See the server's log."),
    };
}
