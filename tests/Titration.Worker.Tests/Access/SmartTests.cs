using System.Security.Cryptography;
using System.Text.Json.Nodes;
using Titration.TestKit;
using Titration.Worker.Configuration;
using Xunit;

namespace Titration.Worker.Tests.Access;

/// <summary>SMART Backend Services against an authorization server that verifies with nothing of ours.</summary>
public sealed class SmartTests : IDisposable
{
    private const string Client = "titration-clinic";

    // Made once: it takes long.
    private static readonly RSA Rsa = RSA.Create(2048);
    private static readonly ECDsa Ec = ECDsa.Create(ECCurve.NamedCurves.nistP384);

    private readonly TemporaryFolder _folder = new();
    private readonly ShiftedClock _clock = new(TimeProvider.System.GetUtcNow());

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public void Dispose() => _folder.Dispose();

    [Theory]
    [InlineData("RS384", "rsa")]
    [InlineData("ES384", "ec")]
    public async Task The_assertion_is_what_SMART_asks_for_and_its_signature_holds(string algorithm, string keyId)
    {
        await using TokenServer server = await StartAsync();
        await using Reaching service = With(server, ("FhirServer:Smart:Algorithm", algorithm));

        Assert.Equal("held", await service.ReadAsync(Cancelled));

        TokenRequest asked = Assert.Single(server.TokenRequests);
        DateTimeOffset now = TimeProvider.System.GetUtcNow();
        Assert.True(asked.IsSigned);
        Assert.Equal((algorithm, keyId, "JWT"), (Text(asked.Header, "alg"), Text(asked.Header, "kid"), Text(asked.Header, "typ")));
        Assert.Equal((Client, Client, server.TokenEndpoint), (Text(asked.Claims, "iss"), Text(asked.Claims, "sub"), Text(asked.Claims, "aud")));
        Assert.InRange(DateTimeOffset.FromUnixTimeSeconds(asked.Claims["exp"]!.GetValue<long>()), now, now.AddMinutes(5));
        Assert.True(Text(asked.Claims, "jti").Length >= 32);
        Assert.Equal(SmartOptions.DefaultScopes, asked.Scope);
        Assert.DoesNotContain("d", SmartOptions.DefaultScopes.Split(' ').Select(s => s[(s.LastIndexOf('.') + 1)..]).SelectMany(letters => letters.Select(l => $"{l}")), StringComparer.Ordinal);
    }

    [Fact]
    public async Task A_wrong_signature_is_seen_by_the_server_of_these_tests()
    {
        await using TokenServer server = await StartAsync();
        using RSA another = RSA.Create(2048);
        ClientKeyFile.Write(Keys, ClientKeyFile.Private(another, "rsa"));
        await using Reaching service = With(server);

        Assert.Equal("token-http-401-invalid_client", await service.ReadAsync(Cancelled));
        Assert.All(server.TokenRequests, r => Assert.False(r.IsSigned));
    }

    [Theory]
    [InlineData("", "", "rsa")]
    [InlineData("ec", "", "ec")]
    [InlineData("", "ES384", "ec")]
    public async Task The_key_is_chosen_by_kid_and_algorithm(string keyId, string algorithm, string chosen)
    {
        using ECDsa p256 = ECDsa.Create(ECCurve.NamedCurves.nistP256);
        using RSA encryption = RSA.Create(2048);
        await using TokenServer server = await StartAsync();
        JsonObject forEncryption = ClientKeyFile.Private(encryption, "enc");
        forEncryption["use"] = "enc";
        ClientKeyFile.Write(
            Keys, ClientKeyFile.Public(ClientKeyFile.Private(Rsa, "rsa")), forEncryption, ClientKeyFile.Private(p256, "p256", "P-256"), ClientKeyFile.Private(Rsa, "rsa"), ClientKeyFile.Private(Ec, "ec"));
        await using Reaching service = With(server, ("FhirServer:Smart:KeyId", keyId), ("FhirServer:Smart:Algorithm", algorithm));

        Assert.Equal("held", await service.ReadAsync(Cancelled));

        Assert.Equal(chosen, Text(Assert.Single(server.TokenRequests).Header, "kid"));
    }

    [Fact]
    public async Task A_token_is_used_until_shortly_before_its_end_and_each_assertion_has_its_own_jti()
    {
        await using TokenServer server = await StartAsync();
        await using Reaching service = With(server);

        await service.ReadAsync(Cancelled);
        _clock.MoveTo(_clock.GetUtcNow().AddSeconds(230));
        await service.ReadAsync(Cancelled);
        Assert.Single(server.TokenRequests);
        _clock.MoveTo(_clock.GetUtcNow().AddSeconds(15));
        await service.ReadAsync(Cancelled);

        Assert.Equal(2, server.TokenRequests.Select(r => Text(r.Claims, "jti")).Distinct(StringComparer.Ordinal).Count());
        Assert.Equal(["token-1", "token-1", "token-2"], server.Served);
    }

    [Fact]
    public async Task Many_requests_at_once_ask_for_one_token()
    {
        await using TokenServer server = await StartAsync();
        await using Reaching service = With(server);

        string[] answers = await Task.WhenAll(Enumerable.Range(0, 20).Select(i => service.ReadAsync(Cancelled, $"p{i}")));

        Assert.All(answers, a => Assert.Equal("held", a));
        Assert.Single(server.TokenRequests);
    }

    [Fact]
    public async Task While_the_authorization_server_is_down_a_token_is_used_to_its_end_and_then_everything_waits()
    {
        await using TokenServer server = await StartAsync();
        await using Reaching service = With(server);
        await service.ReadAsync(Cancelled);
        server.TokenFault = (503, "down");

        _clock.MoveTo(_clock.GetUtcNow().AddSeconds(270));
        Assert.Equal("held", await service.ReadAsync(Cancelled));
        _clock.MoveTo(_clock.GetUtcNow().AddSeconds(40));
        Assert.Equal("token-http-503", await service.ReadAsync(Cancelled));
        server.TokenFault = null;
        _clock.MoveTo(_clock.GetUtcNow().AddSeconds(10));

        Assert.Equal("held", await service.ReadAsync(Cancelled));
    }

    [Fact]
    public async Task A_401_asks_for_one_new_token_and_the_request_goes_through()
    {
        await using TokenServer server = await StartAsync();
        await using Reaching service = With(server);
        await service.ReadAsync(Cancelled);
        server.RevokeAll();

        Assert.Equal("held", await service.ReadAsync(Cancelled));

        Assert.Equal(["token-1", "token-1", "token-2"], server.Served);
    }

    [Fact]
    public async Task A_second_401_is_a_server_that_cannot_be_used_now_and_not_a_refusal_for_good()
    {
        await using TokenServer server = await StartAsync();
        await using Reaching service = With(server);
        server.RefusesAll = true;

        Assert.Equal("http-401", await service.ReadAsync(Cancelled));

        Assert.Equal(["token-1", "token-2"], server.Served);
    }

    [Theory]
    [InlineData(400, """{"error":"invalid_scope","error_description":"secret words"}""", "token-http-400-invalid_scope")]
    [InlineData(400, """{"error":"secret words"}""", "token-http-400")]
    [InlineData(200, "secret words", "token-answer")]
    [InlineData(200, "[]", "token-answer")]
    [InlineData(200, """{"access_token":"a b","token_type":"bearer"}""", "token-answer")]
    [InlineData(200, """{"access_token":"a","token_type":"mac"}""", "token-answer")]
    [InlineData(302, "", "token-http-302")]
    public async Task What_the_authorization_server_answers_instead_of_a_token_comes_back_as_a_code(int status, string body, string reason)
    {
        await using TokenServer server = await StartAsync();
        server.TokenFault = (status, body);
        await using Reaching service = With(server);

        Assert.Equal(reason, await service.ReadAsync(Cancelled));

        // Nobody asks in vain again and again: the retries of this one request came within the pause.
        Assert.Single(server.TokenRequests);
        Assert.Empty(server.Served);
    }

    [Fact]
    public async Task An_answer_of_the_authorization_server_is_not_read_without_bound()
    {
        await using TokenServer server = await StartAsync();
        server.TokenFault = (200, new string(' ', 70_000));
        await using Reaching service = With(server);

        Assert.Equal("token-answer-too-large", await service.ReadAsync(Cancelled));
    }

    [Theory]
    [InlineData("http://auth.clinic.example.org/token")]
    [InlineData("ftp://localhost/token")]
    [InlineData("/token")]
    public async Task Discovery_cannot_send_the_assertion_over_an_unencrypted_line(string endpoint)
    {
        await using TokenServer server = await StartAsync();
        server.Advertised = endpoint;
        await using Reaching service = With(server);

        Assert.Equal("discovery-token-endpoint", await service.ReadAsync(Cancelled));
    }

    [Fact]
    public async Task A_configured_token_endpoint_and_scopes_are_used_as_they_are()
    {
        await using TokenServer server = await StartAsync();
        server.Advertised = "https://nowhere.example.org/token";
        await using Reaching service = With(server, ("FhirServer:Smart:TokenEndpoint", server.TokenEndpoint), ("FhirServer:Smart:Scopes", "system/Patient.r"));

        Assert.Equal("held", await service.ReadAsync(Cancelled));

        Assert.Equal("system/Patient.r", Assert.Single(server.TokenRequests).Scope);
    }

    [Fact]
    public async Task A_key_is_rolled_over_by_replacing_the_file()
    {
        using ECDsa next = ECDsa.Create(ECCurve.NamedCurves.nistP384);
        await using TokenServer server = await StartAsync();
        server.Register("next", next);
        await using Reaching service = With(server);
        await service.ReadAsync(Cancelled);

        ClientKeyFile.Write(Keys, ClientKeyFile.Private(next, "next"));
        _clock.MoveTo(_clock.GetUtcNow().AddMinutes(6));
        Assert.Equal("held", await service.ReadAsync(Cancelled));

        Assert.Equal(["rsa", "next"], server.TokenRequests.Select(r => Text(r.Header, "kid")));
    }

    [Theory]
    [InlineData(null, 50)]
    [InlineData(8, 7)]
    public async Task A_token_whose_life_is_not_said_or_is_short_is_renewed_in_time(int? lifetime, int later)
    {
        await using TokenServer server = await StartAsync();
        server.ExpiresIn = lifetime;
        await using Reaching service = With(server);
        await service.ReadAsync(Cancelled);

        _clock.MoveTo(_clock.GetUtcNow().AddSeconds(later));
        await service.ReadAsync(Cancelled);

        Assert.Equal(["token-1", "token-2"], server.Served);
    }

    private string Keys => _folder.File("keys.json");

    private async Task<TokenServer> StartAsync()
    {
        TokenServer server = await TokenServer.StartAsync(Cancelled);
        server.Register("rsa", Rsa);
        server.Register("ec", Ec);
        ClientKeyFile.Write(Keys, ClientKeyFile.Private(Rsa, "rsa"), ClientKeyFile.Private(Ec, "ec"));
        return server;
    }

    private Reaching With(TokenServer server, params (string Key, string Value)[] settings) => Reaching.With(
        _clock, _folder.Path, server.Fhir, [("FhirServer:Auth", "smart"), ("FhirServer:Smart:ClientId", Client), ("FhirServer:Smart:KeysFile", Keys), .. settings]);

    private static string Text(JsonObject part, string name) => part[name]!.GetValue<string>();
}
