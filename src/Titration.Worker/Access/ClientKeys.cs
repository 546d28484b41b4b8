using System.Text;
using Microsoft.IdentityModel.Tokens;

namespace Titration.Worker.Access;

/// <summary>The private key that signs assertions, out of a JWKS file.</summary>
public static class ClientKeys
{
    public const string Rs384 = SecurityAlgorithms.RsaSha384;
    public const string Es384 = SecurityAlgorithms.EcdsaSha384;

    /// <summary>RFC 7518 section 3.3: 2048 bits or more.</summary>
    private const int SmallestRsaBits = 2048;

    /// <summary>Reads the file and picks the key.</summary>
    /// <param name="file">JWKS with one private key or more.</param>
    /// <param name="keyId">Its <c>kid</c>; empty: the first that fits.</param>
    /// <param name="algorithm"><c>RS384</c>, <c>ES384</c>, or empty: either.</param>
    /// <param name="problem">What is wrong, without anything of a key; null where there is a key.</param>
    /// <exception cref="IOException">The file cannot be read.</exception>
    /// <exception cref="UnauthorizedAccessException">The file may not be read.</exception>
    public static SigningCredentials? Read(string file, string keyId, string algorithm, out string? problem)
    {
        JsonWebKeySet keys;
        try
        {
            keys = new JsonWebKeySet(Encoding.UTF8.GetString(BoundedFile.Read(file, BoundedFile.SecretBytes)));
        }
        catch (ArgumentException)
        {
            // The message may quote the file.
            problem = "is no JSON Web Key Set";
            return null;
        }

        JsonWebKey? key = keys.Keys.FirstOrDefault(k => IsUsable(k) && (keyId.Length == 0 || k.KeyId == keyId) && (algorithm.Length == 0 || AlgorithmOf(k) == algorithm));
        problem = key is null
            ? $"holds no private key{(keyId.Length == 0 ? "" : $" \"{keyId}\"")} for {(algorithm.Length == 0 ? "RS384 or ES384" : algorithm)}; "
                + $"RSA needs {SmallestRsaBits} bits or more, EC the curve P-384, and each key a kid"
            : null;
        return key is null
            ? null
            : new SigningCredentials(key, AlgorithmOf(key)) { CryptoProviderFactory = new CryptoProviderFactory { CacheSignatureProviders = false } };
    }

    // The authorization server finds the public key by the kid.
    private static bool IsUsable(JsonWebKey key) =>
        key is { HasPrivateKey: true, KeyId.Length: > 0, Use: null or "" or "sig" } && AlgorithmOf(key) is { } algorithm && (key.Alg is null or "" || key.Alg == algorithm);

    private static string? AlgorithmOf(JsonWebKey key) => key switch
    {
        { Kty: JsonWebAlgorithmsKeyTypes.RSA, KeySize: >= SmallestRsaBits } => Rs384,
        { Kty: JsonWebAlgorithmsKeyTypes.EllipticCurve, Crv: JsonWebKeyECTypes.P384 } => Es384,
        _ => null,
    };
}
