using System.Net.Security;
using System.Security.Cryptography;
using System.Security.Cryptography.X509Certificates;
using Titration.Worker.Configuration;

namespace Titration.Worker.Access;

/// <summary>Whom a connection trusts and what it shows. There is no way to turn the check of the other side off.</summary>
/// <param name="Authorities">Trusted in place of the system's; empty: the system's.</param>
/// <param name="Certificate">Our own certificate with its private key; null: none is shown.</param>
public sealed record Tls(X509Certificate2Collection Authorities, OwnCertificate? Certificate)
{
    /// <summary>Reads the files. Every problem goes to <paramref name="problems"/>; null where there was one.</summary>
    public static Tls? Read(TlsOptions options, string setting, ICollection<string> problems)
    {
        int before = problems.Count;
        X509Certificate2Collection authorities = options.CaFile.Length == 0 ? [] : ReadCertificates(options.CaFile, $"{setting}:CaFile", problems);
        OwnCertificate? certificate = options.CertificateFile.Length == 0 && options.KeyFile.Length == 0
            ? null
            : OwnCertificate.Read(options.CertificateFile, options.KeyFile, setting, problems);
        return problems.Count > before ? null : new Tls(authorities, certificate);
    }

    /// <summary>For the HttpClient: with authorities of the clinic's own the platform does the whole check by this policy.</summary>
    public SslClientAuthenticationOptions ClientOptions()
    {
        SslClientAuthenticationOptions options = new() { CertificateChainPolicy = Authorities.Count == 0 ? null : PolicyOf() };
        if (Certificate is not null)
        {
            options.ClientCertificateContext = SslStreamCertificateContext.Create(Certificate.Certificate, Certificate.Intermediates, offline: true);
        }

        return options;
    }

    /// <summary>For clients that only offer a callback: what they found wrong is accepted only if our own authorities put it right, a wrong name never.</summary>
    public bool Accepts(X509Certificate? certificate, X509Chain? chain, SslPolicyErrors errors)
    {
        if (errors == SslPolicyErrors.None && Authorities.Count == 0)
        {
            return true;
        }

        if (certificate is null || Authorities.Count == 0 || (errors & ~SslPolicyErrors.RemoteCertificateChainErrors) != SslPolicyErrors.None)
        {
            return false;
        }

        using X509Chain ours = new() { ChainPolicy = PolicyOf() };
        foreach (X509ChainElement element in chain?.ChainElements.Skip(1) ?? [])
        {
            ours.ChainPolicy.ExtraStore.Add(element.Certificate);
        }

        using X509Certificate2 leaf = X509CertificateLoader.LoadCertificate(certificate.GetRawCertData());
        return ours.Build(leaf);
    }

    private X509ChainPolicy PolicyOf()
    {
        X509ChainPolicy policy = new()
        {
            TrustMode = X509ChainTrustMode.CustomRootTrust,
            // A clinic's own authority seldom publishes revocations where this service could ask for them.
            RevocationMode = X509RevocationMode.NoCheck,
        };
        policy.CustomTrustStore.AddRange(Authorities);
        policy.ApplicationPolicy.Add(new Oid("1.3.6.1.5.5.7.3.1", "server authentication"));
        return policy;
    }

    private static X509Certificate2Collection ReadCertificates(string file, string setting, ICollection<string> problems)
    {
        X509Certificate2Collection certificates = [];
        try
        {
            certificates.ImportFromPem(System.Text.Encoding.UTF8.GetString(BoundedFile.Read(file, BoundedFile.SecretBytes)));
            if (certificates.Count == 0)
            {
                problems.Add($"{setting}: \"{file}\" holds no certificate in PEM");
            }
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException or CryptographicException)
        {
            problems.Add($"{setting}: cannot read \"{file}\" as certificates in PEM: {problem.Message}");
        }

        return certificates;
    }
}

/// <summary>A certificate with its private key, and what stands between it and its authority.</summary>
public sealed record OwnCertificate(X509Certificate2 Certificate, X509Certificate2Collection Intermediates)
{
    /// <summary>Reads the files <c>CertificateFile</c> and <c>KeyFile</c> of a setting; null, with the problem in <paramref name="problems"/>, where that fails.</summary>
    public static OwnCertificate? Read(string certificateFile, string keyFile, string setting, ICollection<string> problems)
    {
        if (certificateFile.Length == 0 || keyFile.Length == 0)
        {
            problems.Add($"{setting}: CertificateFile and KeyFile belong together; one of them is empty");
            return null;
        }

        try
        {
            string certificates = System.Text.Encoding.UTF8.GetString(BoundedFile.Read(certificateFile, BoundedFile.SecretBytes));
            string key = System.Text.Encoding.UTF8.GetString(BoundedFile.Read(keyFile, BoundedFile.SecretBytes));
            X509Certificate2 own = X509Certificate2.CreateFromPem(certificates, key);
            X509Certificate2Collection all = [];
            all.ImportFromPem(certificates);
            return new OwnCertificate(own, [.. all.Skip(1)]);
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException or CryptographicException or ArgumentException)
        {
            problems.Add($"{setting}: \"{certificateFile}\" and \"{keyFile}\" are no certificate in PEM and its unencrypted private key: {problem.Message}");
            return null;
        }
    }
}
