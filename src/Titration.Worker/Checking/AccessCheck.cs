using System.Collections.Immutable;
using System.Net;
using Titration.Worker.Access;
using Titration.Worker.Configuration;

namespace Titration.Worker.Checking;

/// <summary>Whether the FHIR server lets us in: the token, what it may do, and what a reader really gets.</summary>
internal static class AccessCheck
{
    public const string TokenSubject = "access token";
    public const string ScopesSubject = "scopes";
    public const string ReadingSubject = "reading";

    private static readonly ImmutableArray<string> Read = ["MedicationRequest", "Observation", "Task", "CommunicationRequest"];

    /// <summary>Asks for a token as the service will.</summary>
    /// <param name="options">How the server is opened.</param>
    /// <param name="tokens">Null where none is needed.</param>
    /// <param name="cancellationToken">Ends it.</param>
    public static async Task<ImmutableArray<CheckRow>> TokenAsync(FhirServerOptions options, IAccessTokens? tokens, CancellationToken cancellationToken)
    {
        if (tokens is null)
        {
            return [CheckRow.Ok(TokenSubject, "none is used (Titration__FhirServer__Auth is none)")];
        }

        try
        {
            await tokens.GetAsync(rejected: null, cancellationToken);
        }
        catch (AccessTokenException problem)
        {
            return [CheckRow.Wrong(TokenSubject, $"none to be had: {problem.Reason}", RemedyOf(problem.Reason, options)), .. options.Auth == "smart" ? CheckRow.Unseen("no token", ScopesSubject) : []];
        }

        return tokens is SmartTokens smart
            ? [CheckRow.Ok(TokenSubject, $"granted to {options.Smart.ClientId}"), Scopes(smart.GrantedScopes, options.Smart.Scopes)]
            : [CheckRow.Ok(TokenSubject, $"one is in {options.TokenFile}; its rights are the server's matter")];
    }

    private static CheckRow Scopes(string? granted, string asked)
    {
        ImmutableArray<string> missing = SmartScope.Missing(SmartOptions.DefaultScopes, granted ?? asked);
        return missing.IsEmpty
            ? CheckRow.Ok(ScopesSubject, granted is null ? "the answer does not name them: they count as those asked for" : "all that are needed")
            : CheckRow.Wrong(
                ScopesSubject, $"not granted: {string.Join(' ', missing)}",
                granted is null || SmartScope.Missing(SmartOptions.DefaultScopes, asked).Length > 0 ? "Ask for them: leave Titration__FhirServer__Smart__Scopes out." : "Let the authorization server grant them to this client.");
    }

    private static string RemedyOf(string reason, FhirServerOptions options) => reason switch
    {
        ['d', 'i', 's', 'c', 'o', 'v', 'e', 'r', 'y', ..] => "The server has no usable .well-known/smart-configuration: set Titration__FhirServer__Smart__TokenEndpoint.",
        _ when reason.Contains("invalid_client", StringComparison.Ordinal) || reason.Contains("invalid_grant", StringComparison.Ordinal) =>
            $"Register the public key of {options.Smart.KeysFile} under the client id {options.Smart.ClientId}, with its kid; see that both clocks agree, and that the token endpoint is the one that the server names.",
        _ when reason.Contains("invalid_scope", StringComparison.Ordinal) => "Let the authorization server grant this client the scopes that SECURITY.md lists.",
        _ when reason.Contains("unauthorized_client", StringComparison.Ordinal) || reason.Contains("unsupported_grant_type", StringComparison.Ordinal) => "Allow this client the grant client_credentials (SMART Backend Services).",
        ['k', 'e', 'y', 's', ..] => "Titration__FhirServer__Smart__KeysFile has to be a JWKS with a private key (RSA of 2048 bits or more, or EC P-384) that the service may read.",
        "token-file-unreadable" or "token-file-content" => "Titration__FhirServer__TokenFile has to hold the token, alone on a line, and be readable.",
        "token-connection" or "token-timeout" or "token-tls" => "The token endpoint does not answer: see whether it can be reached from here, and its certificate.",
        _ => "See the authorization server's log.",
    };

    /// <summary>Reads as the service will: one resource of each type, of which nothing but the status is looked at.</summary>
    public static async Task<ImmutableArray<CheckRow>> ReadingAsync(HttpClient http, Uri fhirBase, Settings settings, CancellationToken cancellationToken)
    {
        Dictionary<HttpStatusCode, List<string>> answers = [];
        foreach (string type in Read)
        {
            HttpStatusCode status = await StatusAsync(http, new Uri(fhirBase, $"{type}?_count=1"), cancellationToken);
            (answers.TryGetValue(status, out List<string>? types) ? types : answers[status] = []).Add(type);
        }

        return
        [
            .. answers.OrderBy(a => a.Key).Select(a => Reading(a.Key, string.Join(", ", a.Value), settings.Options.FhirServer.Auth)),
            await ExistsAsync(http, fhirBase, settings.Clinic.Organization, "Titration__Clinic__Organization", cancellationToken),
            .. settings.Clinic.Pool != settings.Clinic.Organization
                ? new[] { await ExistsAsync(http, fhirBase, settings.Clinic.Pool, "Titration__Clinic__Pool", cancellationToken) }
                : [],
        ];
    }

    private static CheckRow Reading(HttpStatusCode status, string types, string auth) => status switch
    {
        HttpStatusCode.OK => CheckRow.Ok(ReadingSubject, $"{types} can be searched"),
        HttpStatusCode.Unauthorized when auth == "none" => CheckRow.Wrong(ReadingSubject, $"the server wants a token (HTTP 401): {types}", "Set Titration__FhirServer__Auth to bearer or smart; SECURITY.md has the rest."),
        HttpStatusCode.Unauthorized => CheckRow.Wrong(ReadingSubject, $"the server does not accept the token (HTTP 401): {types}", "See whether the token is meant for this server (audience, issuer), has not run out, and that both clocks agree."),
        HttpStatusCode.Forbidden => CheckRow.Wrong(ReadingSubject, $"the token is accepted and may not do this (HTTP 403): {types}", $"Let the server grant reading and searching of {types} to it."),
        _ => CheckRow.Warning(ReadingSubject, $"HTTP {(int)status}: {types}", "Without a search nothing can be taken in by `titration backfill` or by polling; see the server's log."),
    };

    /// <summary>A reference to what is not there is refused by servers that check it, and with it everything that is sent.</summary>
    private static async Task<CheckRow> ExistsAsync(HttpClient http, Uri fhirBase, string reference, string setting, CancellationToken cancellationToken) =>
        await StatusAsync(http, new Uri(fhirBase, reference), cancellationToken) switch
        {
            HttpStatusCode.OK => CheckRow.Ok(reference, "is on the server"),
            HttpStatusCode.NotFound or HttpStatusCode.Gone => CheckRow.Wrong(reference, "is not on the server, and everything that is sent refers to it", $"Create it there, or set {setting} to one that is."),
            var status => CheckRow.NotChecked(reference, $"HTTP {(int)status}", $"See that it is on the server, or set {setting}."),
        };

    private static async Task<HttpStatusCode> StatusAsync(HttpClient http, Uri address, CancellationToken cancellationToken)
    {
        using HttpRequestMessage request = new(HttpMethod.Get, address);
        request.Headers.Accept.ParseAdd("application/fhir+json");
        using HttpResponseMessage response = await http.SendAsync(request, HttpCompletionOption.ResponseHeadersRead, cancellationToken);
        return response.StatusCode;
    }
}
