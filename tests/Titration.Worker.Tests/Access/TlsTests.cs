using Titration.TestKit;
using Xunit;

namespace Titration.Worker.Tests.Access;

/// <summary>Which FHIR server is believed to be the clinic's, over real handshakes.</summary>
public sealed class TlsTests : IDisposable
{
    private readonly TemporaryFolder _folder = new();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public void Dispose() => _folder.Dispose();

    [Theory]
    [InlineData("the right authority and name", "held")]
    [InlineData("another name", "tls")]
    [InlineData("an authority that is not trusted", "tls")]
    [InlineData("an authority that the system does not know", "tls")]
    [InlineData("a certificate that has ended", "tls")]
    public async Task Only_the_right_name_under_a_trusted_authority_is_spoken_to(string server, string result)
    {
        using CertificateAuthority clinic = new(_folder.Path, "clinic");
        using CertificateAuthority stranger = new(_folder.Path, "stranger");
        string host = server == "another name" ? "fhir.clinic.example.org" : "localhost";
        CertificateAuthority issuer = server == "an authority that is not trusted" ? stranger : clinic;
        await using TokenServer fhir = await StartAsync(issuer.Issue("server", host, isExpired: server == "a certificate that has ended"));

        await using Reaching service = server == "an authority that the system does not know"
            ? With(fhir)
            : With(fhir, ("FhirServer:Tls:CaFile", clinic.File));

        Assert.Equal(result, await service.ReadAsync(Cancelled));
        Assert.Equal(result == "held" ? 1 : 0, fhir.Served.Count);
    }

    [Fact]
    public async Task A_server_that_asks_for_a_certificate_gets_ours()
    {
        using CertificateAuthority clinic = new(_folder.Path, "clinic");
        (string certificate, string key) = clinic.Issue("client", "titration");
        await using TokenServer fhir = await StartAsync(clinic.Issue("server", "localhost"), clinic.File);
        await using Reaching shown = With(
            fhir, ("FhirServer:Tls:CaFile", clinic.File), ("FhirServer:Tls:CertificateFile", certificate), ("FhirServer:Tls:KeyFile", key));
        await using Reaching hidden = With(fhir, ("FhirServer:Tls:CaFile", clinic.File));

        Assert.Equal("held", await shown.ReadAsync(Cancelled));
        Assert.NotEqual("held", await hidden.ReadAsync(Cancelled));
        Assert.Single(fhir.Served);
    }

    private static async Task<TokenServer> StartAsync((string Certificate, string Key) certificate, string? clientAuthority = null)
    {
        TokenServer server = await TokenServer.StartAsync(Cancelled, certificate, clientAuthority);
        server.Accept("token");
        return server;
    }

    private Reaching With(TokenServer server, params (string Key, string Value)[] settings)
    {
        File.WriteAllText(_folder.File("token"), "token");
        return Reaching.With(TimeProvider.System, _folder.Path, server.Fhir, [("FhirServer:Auth", "bearer"), ("FhirServer:TokenFile", _folder.File("token")), .. settings]);
    }
}
