using System.Net;
using System.Security.Cryptography;
using System.Security.Cryptography.X509Certificates;

namespace Titration.TestKit;

/// <summary>An authority of a test's own, with what it certifies as PEM files in a folder.</summary>
public sealed class CertificateAuthority : IDisposable
{
    private readonly string _folder;
    private readonly X509Certificate2 _root;
    private readonly DateTimeOffset _now = TimeProvider.System.GetUtcNow();

    /// <param name="folder">Where the files go.</param>
    /// <param name="name">Its name, and that of its file.</param>
    public CertificateAuthority(string folder, string name = "ca")
    {
        _folder = folder;
        // RSA: every server there is takes it.
        using RSA key = RSA.Create(2048);
        CertificateRequest request = new($"CN={name}", key, HashAlgorithmName.SHA256, RSASignaturePadding.Pkcs1);
        request.CertificateExtensions.Add(new X509BasicConstraintsExtension(certificateAuthority: true, hasPathLengthConstraint: false, 0, critical: true));
        request.CertificateExtensions.Add(new X509KeyUsageExtension(X509KeyUsageFlags.KeyCertSign | X509KeyUsageFlags.CrlSign, critical: true));
        request.CertificateExtensions.Add(new X509SubjectKeyIdentifierExtension(request.PublicKey, critical: false));
        _root = request.CreateSelfSigned(_now.AddDays(-10), _now.AddDays(10));
        File = Path.Combine(folder, $"{name}.pem");
        System.IO.File.WriteAllText(File, _root.ExportCertificatePem() + "\n");
    }

    /// <summary>Its own certificate.</summary>
    public string File { get; }

    /// <summary>Certifies a server or a client.</summary>
    /// <param name="name">Name of its files: <c>name.pem</c> and <c>name.key</c>.</param>
    /// <param name="host">The DNS name or IP address it is for.</param>
    /// <param name="isExpired">Whether it ended yesterday.</param>
    /// <returns>The two files.</returns>
    public (string Certificate, string Key) Issue(string name, string host, bool isExpired = false)
    {
        using RSA key = RSA.Create(2048);
        CertificateRequest request = new($"CN={name}", key, HashAlgorithmName.SHA256, RSASignaturePadding.Pkcs1);
        SubjectAlternativeNameBuilder names = new();
        if (IPAddress.TryParse(host, out IPAddress? address))
        {
            names.AddIpAddress(address);
        }
        else
        {
            names.AddDnsName(host);
        }

        request.CertificateExtensions.Add(names.Build());
        request.CertificateExtensions.Add(new X509BasicConstraintsExtension(certificateAuthority: false, hasPathLengthConstraint: false, 0, critical: true));
        request.CertificateExtensions.Add(new X509EnhancedKeyUsageExtension([new Oid("1.3.6.1.5.5.7.3.1"), new Oid("1.3.6.1.5.5.7.3.2")], critical: false));
        DateTimeOffset end = isExpired ? _now.AddDays(-1) : _now.AddDays(5);
        using X509Certificate2 issued = request.Create(_root, _now.AddDays(-5), end, RandomNumberGenerator.GetBytes(8));
        string certificate = Path.Combine(_folder, $"{name}.pem");
        string keyFile = Path.Combine(_folder, $"{name}.key");
        System.IO.File.WriteAllText(certificate, issued.ExportCertificatePem() + "\n");
        System.IO.File.WriteAllText(keyFile, key.ExportPkcs8PrivateKeyPem() + "\n");
        return (certificate, keyFile);
    }

    public void Dispose() => _root.Dispose();
}
