using System.Buffers.Text;
using System.Security.Cryptography;
using System.Text.Json.Nodes;

namespace Titration.TestKit;

/// <summary>Keys of a client, and the JWKS file that holds their private halves.</summary>
public static class ClientKeyFile
{
    public static void Write(string file, params IEnumerable<JsonObject> keys) =>
        File.WriteAllText(file, new JsonObject { ["keys"] = new JsonArray([.. keys]) }.ToJsonString());

    public static JsonObject Private(RSA key, string keyId)
    {
        RSAParameters p = key.ExportParameters(includePrivateParameters: true);
        return new JsonObject
        {
            ["kty"] = "RSA",
            ["kid"] = keyId,
            ["alg"] = "RS384",
            ["n"] = Text(p.Modulus),
            ["e"] = Text(p.Exponent),
            ["d"] = Text(p.D),
            ["p"] = Text(p.P),
            ["q"] = Text(p.Q),
            ["dp"] = Text(p.DP),
            ["dq"] = Text(p.DQ),
            ["qi"] = Text(p.InverseQ),
        };
    }

    public static JsonObject Private(ECDsa key, string keyId, string curve = "P-384")
    {
        ECParameters p = key.ExportParameters(includePrivateParameters: true);
        return new JsonObject { ["kty"] = "EC", ["kid"] = keyId, ["crv"] = curve, ["x"] = Text(p.Q.X), ["y"] = Text(p.Q.Y), ["d"] = Text(p.D) };
    }

    /// <summary>Without what is secret.</summary>
    public static JsonObject Public(JsonObject key) =>
        new(key.Where(m => m.Key is "kty" or "kid" or "alg" or "crv" or "n" or "e" or "x" or "y").Select(m => KeyValuePair.Create(m.Key, m.Value?.DeepClone())));

    private static string Text(byte[]? bytes) => Base64Url.EncodeToString(bytes);
}
