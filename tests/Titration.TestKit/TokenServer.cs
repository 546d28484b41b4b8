using System.Collections.Concurrent;
using System.Net;
using System.Security.Cryptography;
using System.Security.Cryptography.X509Certificates;
using System.Text;
using System.Text.Json.Nodes;
using Microsoft.AspNetCore.Builder;
using Microsoft.AspNetCore.Hosting;
using Microsoft.AspNetCore.Http;
using Microsoft.AspNetCore.Server.Kestrel.Https;
using Microsoft.Extensions.Logging;

namespace Titration.TestKit;

/// <summary>What a client sent to the token endpoint.</summary>
/// <param name="Assertion">The JWT as sent.</param>
/// <param name="Header">Its header.</param>
/// <param name="Claims">Its claims.</param>
/// <param name="Scope">The scopes asked for.</param>
/// <param name="IsSigned">Whether a registered public key verifies the signature.</param>
public sealed record TokenRequest(string Assertion, JsonObject Header, JsonObject Claims, string Scope, bool IsSigned);

/// <summary>
/// An authorization server and a FHIR server that wants its tokens, on a free port of the loopback interface. It takes a JWT apart and verifies it by
/// itself, with nothing of the library that made it.
/// </summary>
public sealed class TokenServer : IAsyncDisposable
{
    private readonly WebApplication _app;
    private readonly ConcurrentDictionary<string, AsymmetricAlgorithm> _clients = new(StringComparer.Ordinal);
    private readonly ConcurrentQueue<TokenRequest> _tokenRequests = new();
    private readonly ConcurrentQueue<string> _served = new();
    private readonly ConcurrentDictionary<string, bool> _valid = new(StringComparer.Ordinal);
    private int _issued;

    private TokenServer(WebApplication app) => _app = app;

    public Uri Fhir { get; private set; } = null!;

    public string TokenEndpoint => $"{Fhir.GetLeftPart(UriPartial.Authority)}/token";

    /// <summary>The endpoint that discovery names; null: the server's own.</summary>
    public string? Advertised { get; set; }

    /// <summary>Seconds that a token lives, as the answer says; null: it does not say.</summary>
    public int? ExpiresIn { get; set; } = 300;

    /// <summary>Status and body of the next answers of the token endpoint; null: it does its work.</summary>
    public (int Status, string Body)? TokenFault { get; set; }

    /// <summary>The scopes that are granted, whatever was asked for; null: those.</summary>
    public string? Grants { get; set; }

    /// <summary>Whether tokens just issued are refused as well.</summary>
    public bool RefusesAll { get; set; }

    public IReadOnlyList<TokenRequest> TokenRequests => [.. _tokenRequests];

    /// <summary>The tokens of the FHIR requests that were answered, in their order; empty where one had none.</summary>
    public IReadOnlyList<string> Served => [.. _served];

    /// <param name="cancellationToken">Ends the start.</param>
    /// <param name="certificate">PEM files of the server's certificate and key; null: plain HTTP.</param>
    /// <param name="clientAuthority">A client has to show a certificate of this authority's; null: none is asked for.</param>
    public static async Task<TokenServer> StartAsync(
        CancellationToken cancellationToken, (string Certificate, string Key)? certificate = null, string? clientAuthority = null)
    {
        WebApplicationBuilder builder = WebApplication.CreateSlimBuilder();
        builder.Logging.ClearProviders();
        builder.WebHost.UseKestrelHttpsConfiguration();
        builder.WebHost.ConfigureKestrel(kestrel => kestrel.Listen(IPAddress.Loopback, 0, listen =>
        {
            if (certificate is var (certificateFile, keyFile))
            {
                listen.UseHttps(https =>
                {
                    https.ServerCertificate = X509Certificate2.CreateFromPemFile(certificateFile, keyFile);
                    if (clientAuthority is not null)
                    {
                        string expected = X509CertificateLoader.LoadCertificateFromFile(clientAuthority).Subject;
                        https.ClientCertificateMode = ClientCertificateMode.RequireCertificate;
                        https.ClientCertificateValidation = (shown, _, _) => shown.Issuer == expected;
                    }
                });
            }
        }));
        TokenServer server = new(builder.Build());
        server.Map();
        await server._app.StartAsync(cancellationToken);
        server.Fhir = new Uri(server._app.Urls.First().Replace("127.0.0.1", "localhost", StringComparison.Ordinal) + "/fhir");
        return server;
    }

    /// <summary>Registers a client's public key.</summary>
    public void Register(string keyId, AsymmetricAlgorithm key) => _clients[keyId] = key;

    /// <summary>A token given in another way.</summary>
    public void Accept(string token) => _valid[token] = true;

    /// <summary>No token issued so far opens anything any more.</summary>
    public void RevokeAll() => _valid.Clear();

    public ValueTask DisposeAsync() => _app.DisposeAsync();

    private void Map()
    {
        _app.MapGet("/fhir/.well-known/smart-configuration", () => Results.Json(new { token_endpoint = Advertised ?? TokenEndpoint, grant_types_supported = new[] { "client_credentials" } }));
        _app.MapPost("/token", TokenAsync);
        _app.MapGet("/fhir/Patient/{id}", (string id, HttpRequest request) => Serve(request, () => id switch
        {
            "elsewhere" => Results.Redirect(Advertised!, permanent: false, preserveMethod: true),
            "endless" => Results.Stream(async body => await body.WriteAsync(new byte[11 * 1024 * 1024])),
            _ => Results.Content($$"""{"resourceType":"Patient","meta":{"versionId":"1"},"id":"{{id}}"}""", "application/fhir+json"),
        }));
    }

    private IResult Serve(HttpRequest request, Func<IResult> answer)
    {
        string token = request.Headers.Authorization.ToString() is ['B', 'e', 'a', 'r', 'e', 'r', ' ', .. var value] ? value : "";
        _served.Enqueue(token);
        return _valid.ContainsKey(token) && !RefusesAll ? answer() : Results.Unauthorized();
    }

    private async Task<IResult> TokenAsync(HttpRequest request)
    {
        IFormCollection form = await request.ReadFormAsync();
        string assertion = form["client_assertion"].ToString();
        string[] parts = assertion.Split('.');
        JsonObject header = Decode(parts[0]);
        JsonObject claims = Decode(parts[1]);
        bool isSigned = form["client_assertion_type"] == "urn:ietf:params:oauth:client-assertion-type:jwt-bearer" && Verifies(header, parts);
        _tokenRequests.Enqueue(new TokenRequest(assertion, header, claims, form["scope"].ToString(), isSigned));
        if (TokenFault is var (status, body))
        {
            return Results.Content(body, "application/json", statusCode: status);
        }

        if (form["grant_type"] != "client_credentials" || !isSigned || claims["aud"]!.GetValue<string>() != TokenEndpoint)
        {
            return Results.Json(new { error = "invalid_client" }, statusCode: 401);
        }

        string token = $"token-{Interlocked.Increment(ref _issued)}";
        _valid[token] = true;
        JsonObject answer = new() { ["access_token"] = token, ["token_type"] = "bearer", ["scope"] = Grants ?? form["scope"].ToString() };
        if (ExpiresIn is { } seconds)
        {
            answer["expires_in"] = seconds;
        }

        return Results.Content(answer.ToJsonString(), "application/json");
    }

    private bool Verifies(JsonObject header, string[] parts)
    {
        byte[] signed = Encoding.ASCII.GetBytes($"{parts[0]}.{parts[1]}");
        byte[] signature = Base64Url(parts[2]);
        return _clients.TryGetValue(header["kid"]?.GetValue<string>() ?? "", out AsymmetricAlgorithm? key) && (header["alg"]!.GetValue<string>(), key) switch
        {
            ("RS384", RSA rsa) => rsa.VerifyData(signed, signature, HashAlgorithmName.SHA384, RSASignaturePadding.Pkcs1),
            ("ES384", ECDsa ec) => ec.VerifyData(signed, signature, HashAlgorithmName.SHA384, DSASignatureFormat.IeeeP1363FixedFieldConcatenation),
            _ => false,
        };
    }

    private static JsonObject Decode(string part) => JsonNode.Parse(Base64Url(part))!.AsObject();

    private static byte[] Base64Url(string text) => System.Buffers.Text.Base64Url.DecodeFromChars(text);
}
