using System.Security.Cryptography;

namespace Titration.Storage.Ledger;

/// <summary>The clinic's key that signs checkpoints, erasures and exports: ECDSA on P-256, or RSA. With the public half alone it only verifies.</summary>
public sealed class LedgerKey : IDisposable
{
    /// <summary>Shorter ones are not taken (NIST SP 800-131A revision 2).</summary>
    public const int SmallestRsaBits = 2048;

    private readonly AsymmetricAlgorithm _key;
    private LedgerKey(AsymmetricAlgorithm key, bool signs)
    {
        _key = key;
        Signs = signs;
        byte[] info = key.ExportSubjectPublicKeyInfo();
        PublicPem = new string(PemEncoding.Write("PUBLIC KEY", info)) + "\n";
        Fingerprint = Convert.ToHexStringLower(SHA256.HashData(info));
    }

    /// <summary>Whether the private half is there.</summary>
    public bool Signs { get; }

    /// <summary>The public half, PEM (SubjectPublicKeyInfo).</summary>
    public string PublicPem { get; }

    /// <summary>SHA-256 of the public half's DER, lower-case hexadecimal: what is written down and compared.</summary>
    public string Fingerprint { get; }

    /// <summary>A new one.</summary>
    public static LedgerKey Create() => new(ECDsa.Create(ECCurve.NamedCurves.nistP256), signs: true);

    /// <summary>Reads a private or a public key.</summary>
    /// <param name="pem">PEM, unencrypted.</param>
    /// <param name="problem">What is wrong, without anything of a key; null where there is one.</param>
    public static LedgerKey? Read(string pem, out string? problem)
    {
        bool isPrivate = pem.Contains("PRIVATE KEY-----", StringComparison.Ordinal);
        problem = null;
        if (Import(ECDsa.Create(), pem) is { } curve)
        {
            if (curve.ExportParameters(includePrivateParameters: false).Curve.Oid.Value == ECCurve.NamedCurves.nistP256.Oid.Value)
            {
                return new LedgerKey(curve, isPrivate);
            }

            curve.Dispose();
            problem = "holds a key on another curve than P-256";
            return null;
        }

        if (Import(RSA.Create(), pem) is not { } rsa)
        {
            problem = "holds no unencrypted key: a PEM of an ECDSA P-256 or an RSA key is needed";
            return null;
        }

        if (rsa.KeySize >= SmallestRsaBits)
        {
            return new LedgerKey(rsa, isPrivate);
        }

        rsa.Dispose();
        problem = $"holds an RSA key of {rsa.KeySize} bits, and {SmallestRsaBits} or more are needed";
        return null;
    }

    /// <summary>The private key, PEM (PKCS #8), for a file of the service's own.</summary>
    public string ExportPrivatePem() => _key.ExportPkcs8PrivateKeyPem() + "\n";

    /// <summary>Signs: ECDSA with SHA-256 (DER), or RSA PKCS #1 with SHA-256; both as <c>openssl dgst -sha256</c> verifies them.</summary>
    /// <exception cref="InvalidOperationException">It is the public half alone.</exception>
    public byte[] Sign(byte[] data)
    {
        if (!Signs)
        {
            throw new InvalidOperationException("A public key signs nothing.");
        }

        return _key switch
        {
            ECDsa ec => ec.SignData(data, HashAlgorithmName.SHA256, DSASignatureFormat.Rfc3279DerSequence),
            RSA rsa => rsa.SignData(data, HashAlgorithmName.SHA256, RSASignaturePadding.Pkcs1),
            _ => throw new InvalidOperationException("The key is of another kind."),
        };
    }

    /// <summary>Whether this key made the signature over these bytes.</summary>
    public bool Verifies(byte[] data, byte[] signature) => _key switch
    {
        ECDsa ec => ec.VerifyData(data, signature, HashAlgorithmName.SHA256, DSASignatureFormat.Rfc3279DerSequence),
        RSA rsa => rsa.VerifyData(data, signature, HashAlgorithmName.SHA256, RSASignaturePadding.Pkcs1),
        _ => false,
    };

    public void Dispose() => _key.Dispose();

    private static T? Import<T>(T empty, string pem) where T : AsymmetricAlgorithm
    {
        try
        {
            empty.ImportFromPem(pem);
            return empty;
        }
        catch (Exception problem) when (problem is CryptographicException or ArgumentException)
        {
            // Another kind of key, or none.
            empty.Dispose();
            return null;
        }
    }
}
