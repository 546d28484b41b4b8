using System.Net.Http.Headers;
using System.Security.Cryptography;
using System.Text.Json;
using Microsoft.IdentityModel.JsonWebTokens;
using Microsoft.IdentityModel.Tokens;
using Titration.Worker.Configuration;
using Titration.Worker.Hosting;

namespace Titration.Worker.Access;

/// <summary>
/// SMART Backend Services (SMART App Launch 2.2, "Backend Services" and "Client Authentication: Asymmetric"): client_credentials with a
/// signed assertion. The token is kept and renewed before it ends, one renewal at a time.
/// </summary>
/// <param name="http">Without any token of its own; limited in what it reads.</param>
/// <param name="server">Where discovery starts.</param>
/// <param name="options">Client, keys, scopes.</param>
/// <param name="endpoints">Which token endpoints may be used.</param>
/// <param name="time">The clock of assertions and tokens.</param>
public sealed class SmartTokens(HttpClient http, FhirServerAddress server, SmartOptions options, TransportRules endpoints, TimeProvider time) : IAccessTokens, IDisposable
{
    /// <summary>The specification allows 5 minutes; one is left for clocks that differ.</summary>
    private static readonly TimeSpan AssertionLife = TimeSpan.FromMinutes(4);

    /// <summary>Where the answer does not say how long the token lives, although it has to.</summary>
    private static readonly TimeSpan AssumedLife = TimeSpan.FromMinutes(1);
    private static readonly TimeSpan LongestLife = TimeSpan.FromHours(1);
    private static readonly TimeSpan EarliestRenewal = TimeSpan.FromMinutes(1);

    /// <summary>After a refusal the authorization server is not asked again for so long.</summary>
    private static readonly TimeSpan Pause = TimeSpan.FromSeconds(5);

    private readonly SemaphoreSlim _oneAtATime = new(1);
    private readonly JsonWebTokenHandler _assertions = new() { SetDefaultTimesOnTokenCreation = false };
    private volatile Token? _current;
    private (DateTimeOffset Until, string Reason)? _paused;

    private sealed record Token(string Value, string? Scopes, DateTimeOffset RenewAt, DateTimeOffset EndsAt);

    /// <summary>The scopes of the token that is held, separated by blanks; null where the answer did not name them, or there is none.</summary>
    public string? GrantedScopes => _current?.Scopes;

    /// <inheritdoc/>
    public async Task<string> GetAsync(string? rejected, CancellationToken cancellationToken)
    {
        if (Fresh(rejected) is { } fresh)
        {
            return fresh;
        }

        await _oneAtATime.WaitAsync(cancellationToken);
        try
        {
            // Somebody else may have renewed it meanwhile.
            return Fresh(rejected) ?? await RenewAsync(rejected, cancellationToken);
        }
        finally
        {
            _oneAtATime.Release();
        }
    }

    public void Dispose() => _oneAtATime.Dispose();

    private string? Fresh(string? rejected) => _current is { } token && token.Value != rejected && time.GetUtcNow() < token.RenewAt ? token.Value : null;

    private async Task<string> RenewAsync(string? rejected, CancellationToken cancellationToken)
    {
        try
        {
            if (_paused is { } paused && time.GetUtcNow() < paused.Until)
            {
                throw new AccessTokenException(paused.Reason);
            }

            _current = await RequestAsync(cancellationToken);
            _paused = null;
            return _current.Value;
        }
        catch (AccessTokenException problem)
        {
            if (_paused is null || time.GetUtcNow() >= _paused.Value.Until)
            {
                _paused = (time.GetUtcNow() + Pause, problem.Reason);
            }

            if (_current is { } old && old.Value != rejected && time.GetUtcNow() < old.EndsAt)
            {
                // Still good: what is to be sent need not wait for the authorization server.
                return old.Value;
            }

            throw;
        }
    }

    private async Task<Token> RequestAsync(CancellationToken cancellationToken)
    {
        try
        {
            Uri endpoint = await EndpointAsync(cancellationToken);
            using HttpRequestMessage request = new(HttpMethod.Post, endpoint)
            {
                Content = new FormUrlEncodedContent(
                [
                    new("grant_type", "client_credentials"),
                    new("scope", options.Scopes),
                    new("client_assertion_type", "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"),
                    new("client_assertion", Assertion(endpoint)),
                ]),
            };
            using JsonDocument answer = await AskAsync(request, "token", cancellationToken);
            JsonElement root = answer.RootElement;
            string? value = Text(root, "access_token");
            if (!BearerFile.IsToken(value) || !"bearer".Equals(Text(root, "token_type"), StringComparison.OrdinalIgnoreCase))
            {
                throw new AccessTokenException("token-answer");
            }

            TimeSpan life = root.TryGetProperty("expires_in", out JsonElement seconds) && seconds.ValueKind == JsonValueKind.Number && seconds.TryGetInt32(out int number) && number > 0
                ? TimeSpan.FromSeconds(Math.Min(number, LongestLife.TotalSeconds))
                : AssumedLife;
            TimeSpan early = TimeSpan.FromTicks(Math.Min(EarliestRenewal.Ticks, life.Ticks / 4));
            DateTimeOffset now = time.GetUtcNow();
            return new Token(value!, Text(root, "scope"), now + life - early, now + life);
        }
        catch (HttpRequestException problem) when (problem is not AccessTokenException)
        {
            throw new AccessTokenException(problem.HttpRequestError switch
            {
                HttpRequestError.SecureConnectionError => "token-tls",
                HttpRequestError.ConfigurationLimitExceeded => "token-answer-too-large",
                _ => "token-connection",
            });
        }
        catch (OperationCanceledException) when (!cancellationToken.IsCancellationRequested)
        {
            throw new AccessTokenException("token-timeout");
        }
    }

    private async Task<Uri> EndpointAsync(CancellationToken cancellationToken)
    {
        if (options.TokenEndpoint.Length > 0)
        {
            return new Uri(options.TokenEndpoint);
        }

        using HttpRequestMessage request = new(HttpMethod.Get, new Uri(server.Value, ".well-known/smart-configuration"));
        request.Headers.Accept.Add(new MediaTypeWithQualityHeaderValue("application/json"));
        using JsonDocument configuration = await AskAsync(request, "discovery", cancellationToken);
        return Uri.TryCreate(Text(configuration.RootElement, "token_endpoint"), UriKind.Absolute, out Uri? endpoint) && endpoints.Allows(endpoint)
            ? endpoint
            : throw new AccessTokenException("discovery-token-endpoint");
    }

    private async Task<JsonDocument> AskAsync(HttpRequestMessage request, string step, CancellationToken cancellationToken)
    {
        using HttpResponseMessage response = await http.SendAsync(request, cancellationToken);
        byte[] body = await response.Content.ReadAsByteArrayAsync(cancellationToken);
        JsonDocument? answer = Parse(body);
        if (answer?.RootElement.ValueKind == JsonValueKind.Object && response.IsSuccessStatusCode)
        {
            return answer;
        }

        using (answer)
        {
            string code = answer?.RootElement.ValueKind == JsonValueKind.Object && ErrorCode(Text(answer.RootElement, "error")) is { } known ? $"-{known}" : "";
            throw new AccessTokenException(response.IsSuccessStatusCode ? $"{step}-answer" : $"{step}-http-{(int)response.StatusCode}{code}");
        }
    }

    /// <summary>The codes of RFC 6749 section 5.2; anything else is the server's own text.</summary>
    private static string? ErrorCode(string? error) =>
        error is "invalid_request" or "invalid_client" or "invalid_grant" or "unauthorized_client" or "unsupported_grant_type" or "invalid_scope" ? error : null;

    private static JsonDocument? Parse(byte[] body)
    {
        try
        {
            return JsonDocument.Parse(body);
        }
        catch (JsonException)
        {
            return null;
        }
    }

    private static string? Text(JsonElement root, string name) =>
        root.TryGetProperty(name, out JsonElement value) && value.ValueKind == JsonValueKind.String ? value.GetString() : null;

    private string Assertion(Uri endpoint)
    {
        SigningCredentials? key;
        try
        {
            key = ClientKeys.Read(options.KeysFile, options.KeyId, options.Algorithm, out _);
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            throw new AccessTokenException("keys-file-unreadable");
        }

        DateTimeOffset now = time.GetUtcNow();
        return _assertions.CreateToken(new SecurityTokenDescriptor
        {
            SigningCredentials = key ?? throw new AccessTokenException("keys-file-content"),
            Issuer = options.ClientId,
            // As configured or discovered, to the letter: the server compares strings.
            Audience = endpoint.OriginalString,
            IssuedAt = now.UtcDateTime,
            Expires = (now + AssertionLife).UtcDateTime,
            Claims = new Dictionary<string, object>(StringComparer.Ordinal)
            {
                [JwtRegisteredClaimNames.Sub] = options.ClientId,
                [JwtRegisteredClaimNames.Jti] = RandomNumberGenerator.GetHexString(32, lowercase: true),
            },
        });
    }
}
