using System.Collections.Immutable;
using Titration.Worker.Access;

namespace Titration.Worker.Configuration;

/// <summary>The part of the settings that keeps others out, after its files were found to be right.</summary>
/// <param name="FhirServer">Certificates for the FHIR server and the token endpoint.</param>
/// <param name="Broker">Certificates for the broker.</param>
/// <param name="Inbound">What the inbound endpoint shows outside of the embedded mode; null: there is none.</param>
/// <param name="Warnings">What was allowed although it is dangerous; said at each start.</param>
public sealed record SecuritySettings(Tls FhirServer, Tls Broker, OwnCertificate? Inbound, ImmutableArray<string> Warnings)
{
    /// <summary>Guessing a secret that protects patients' data must be hopeless.</summary>
    private const int ShortestSecret = 32;

    /// <summary>Checks all of it and reports every problem; null where there is one.</summary>
    public static SecuritySettings? From(TitrationOptions options, ICollection<string> problems)
    {
        List<string> warnings = [];
        CheckFhirServer(options, problems, warnings);
        CheckAuthentication(options, problems);
        CheckBroker(options, problems, warnings);
        Tls? server = Tls.Read(options.FhirServer.Tls, "Titration:FhirServer:Tls", problems);
        Tls? broker = Tls.Read(options.Broker.Tls, "Titration:Broker:Tls", problems);
        OwnCertificate? inbound = InboundCertificate(options, problems);
        CheckStatus(options, problems);
        return server is null || broker is null ? null : new SecuritySettings(server, broker, inbound, [.. warnings]);
    }

    /// <summary>Certificates for the broker, for a command that uses no more of the settings; null where <paramref name="problems"/> has any.</summary>
    internal static Tls? BrokerOf(TitrationOptions options, ICollection<string> problems)
    {
        if (!Uri.TryCreate(options.Broker.Uri, UriKind.Absolute, out Uri? address) || address.Scheme is not ("amqp" or "amqps"))
        {
            problems.Add("Titration:Broker:Uri: is no amqp:// or amqps:// address; leave it empty for messages in memory");
            return null;
        }

        CheckBroker(options, problems, warnings: []);
        Tls? tls = Tls.Read(options.Broker.Tls, "Titration:Broker:Tls", problems);
        return problems.Count == 0 ? tls : null;
    }

    private static void CheckFhirServer(TitrationOptions options, ICollection<string> problems, List<string> warnings)
    {
        FhirServerOptions server = options.FhirServer;
        if (options.EmbeddedFhirServer || !Uri.TryCreate(server.BaseUrl, UriKind.Absolute, out Uri? address))
        {
            return;
        }

        if (address.UserInfo.Length > 0 || address.Query.Length > 0 || address.Fragment.Length > 0)
        {
            problems.Add("Titration:FhirServer:BaseUrl: has a user, a query or a fragment; a base address has none, and secrets belong into files");
        }

        CheckPlain("Titration:FhirServer:BaseUrl", address, "http", "https", "Titration:FhirServer:DangerouslyAllowPlainHttp", server.DangerouslyAllowPlainHttp, problems, warnings);
        CheckTlsIsUsed("Titration:FhirServer:Tls", server.Tls, address, "https", problems);
    }

    private static void CheckBroker(TitrationOptions options, ICollection<string> problems, List<string> warnings)
    {
        BrokerOptions broker = options.Broker;
        if (options.EmbeddedBroker || !Uri.TryCreate(broker.Uri, UriKind.Absolute, out Uri? address))
        {
            return;
        }

        CheckPlain("Titration:Broker:Uri", address, "amqp", "amqps", "Titration:Broker:DangerouslyAllowPlainAmqp", broker.DangerouslyAllowPlainAmqp, problems, warnings);
        CheckTlsIsUsed("Titration:Broker:Tls", broker.Tls, address, "amqps", problems);
    }

    private static void CheckPlain(
        string setting, Uri address, string plain, string secure, string permission, bool isPermitted, ICollection<string> problems, List<string> warnings)
    {
        if (address.Scheme != plain || address.IsLoopback)
        {
            return;
        }

        if (isPermitted)
        {
            warnings.Add($"{permission} is set: patients' data and secrets travel unencrypted to {address.Host}");
        }
        else
        {
            problems.Add($"{setting}: {plain}:// to another machine sends patients' data and secrets unencrypted; use {secure}:// (or accept it with {permission}=true)");
        }
    }

    private static void CheckTlsIsUsed(string setting, TlsOptions tls, Uri address, string secure, ICollection<string> problems)
    {
        if (address.Scheme != secure && (tls.CaFile.Length > 0 || tls.CertificateFile.Length > 0 || tls.KeyFile.Length > 0))
        {
            problems.Add($"{setting}: certificates mean nothing without {secure}://");
        }
    }

    private static void CheckAuthentication(TitrationOptions options, ICollection<string> problems)
    {
        FhirServerOptions server = options.FhirServer;
        if (server.Auth is not ("none" or "bearer" or "smart"))
        {
            problems.Add($"Titration:FhirServer:Auth: \"{server.Auth}\" is none of none, bearer, smart");
            return;
        }

        if (server.Auth != "none" && options.EmbeddedFhirServer)
        {
            problems.Add("Titration:FhirServer:Auth: the embedded endpoint asks for nothing; set Titration:FhirServer:BaseUrl");
        }

        if (server.Auth == "bearer")
        {
            CheckTokenFile("Titration:FhirServer:TokenFile", server.TokenFile, 1, problems);
        }
        else if (server.TokenFile.Length > 0)
        {
            problems.Add("Titration:FhirServer:TokenFile: means nothing unless Titration:FhirServer:Auth is bearer");
        }

        if (server.Auth == "smart")
        {
            CheckSmart(server, problems);
        }
        else if (server.Smart.ClientId.Length > 0 || server.Smart.KeysFile.Length > 0)
        {
            problems.Add("Titration:FhirServer:Smart: means nothing unless Titration:FhirServer:Auth is smart");
        }
    }

    private static void CheckSmart(FhirServerOptions server, ICollection<string> problems)
    {
        SmartOptions smart = server.Smart;
        if (smart.ClientId.Length == 0)
        {
            problems.Add("Titration:FhirServer:Smart:ClientId: is needed: the id under which the authorization server knows this service");
        }

        if (string.IsNullOrWhiteSpace(smart.Scopes))
        {
            problems.Add("Titration:FhirServer:Smart:Scopes: is empty; leave it out for the scopes that the service needs");
        }

        if (smart.TokenEndpoint.Length > 0 && !(Uri.TryCreate(smart.TokenEndpoint, UriKind.Absolute, out Uri? endpoint) && new TransportRules(server.DangerouslyAllowPlainHttp).Allows(endpoint)))
        {
            problems.Add("Titration:FhirServer:Smart:TokenEndpoint: is no https:// address");
        }

        if (smart.Algorithm is not ("" or ClientKeys.Rs384 or ClientKeys.Es384))
        {
            problems.Add($"Titration:FhirServer:Smart:Algorithm: \"{smart.Algorithm}\" is neither {ClientKeys.Rs384} nor {ClientKeys.Es384}");
            return;
        }

        try
        {
            if (ClientKeys.Read(smart.KeysFile, smart.KeyId, smart.Algorithm, out string? problem) is null)
            {
                problems.Add($"Titration:FhirServer:Smart:KeysFile: \"{smart.KeysFile}\" {problem}");
            }
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException or ArgumentException)
        {
            problems.Add($"Titration:FhirServer:Smart:KeysFile: cannot read \"{smart.KeysFile}\": {problem.Message}");
        }
    }

    private static OwnCertificate? InboundCertificate(TitrationOptions options, ICollection<string> problems)
    {
        InboundOptions inbound = options.Inbound;
        if (inbound.TokenFile.Length > 0)
        {
            CheckTokenFile("Titration:Inbound:TokenFile", inbound.TokenFile, ShortestSecret, problems);
        }

        if (options.EmbeddedBroker || inbound.TokenFile.Length == 0)
        {
            if (inbound.CertificateFile.Length > 0 || inbound.KeyFile.Length > 0)
            {
                problems.Add("Titration:Inbound: a certificate means something only with a broker and with Titration:Inbound:TokenFile");
            }

            return null;
        }

        if (options.EmbeddedFhirServer)
        {
            problems.Add("Titration:Inbound:TokenFile: the inbound endpoint is for other machines, and the embedded FHIR endpoint for this one only; set Titration:FhirServer:BaseUrl");
        }

        return OwnCertificate.Read(inbound.CertificateFile, inbound.KeyFile, "Titration:Inbound", problems);
    }

    private static void CheckStatus(TitrationOptions options, ICollection<string> problems)
    {
        if (options.Status.TokenFile.Length == 0)
        {
            return;
        }

        CheckTokenFile("Titration:Status:TokenFile", options.Status.TokenFile, ShortestSecret, problems);
        if (options.EmbeddedBroker || options.Inbound.TokenFile.Length == 0)
        {
            problems.Add("Titration:Status:TokenFile: other machines see the page at the HTTPS port of the inbound endpoint; set Titration:Broker:Uri and Titration:Inbound");
        }
    }

    private static void CheckTokenFile(string setting, string file, int shortest, ICollection<string> problems)
    {
        try
        {
            if (BearerFile.Read(file) is not { } token)
            {
                problems.Add($"{setting}: \"{file}\" holds no token: one line of printable ASCII without blanks is needed");
            }
            else if (token.Length < shortest)
            {
                problems.Add($"{setting}: the secret in \"{file}\" is shorter than {shortest} characters");
            }
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException or ArgumentException)
        {
            problems.Add($"{setting}: cannot read \"{file}\": {problem.Message}");
        }
    }
}
