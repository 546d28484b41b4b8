using System.Net.Http.Headers;
using System.Security.Cryptography;
using System.Text;

namespace Titration.Worker.Access;

/// <summary>A secret in a file that whoever asks has to show: as a bearer token, or as the password that a browser asks for.</summary>
internal static class SharedSecret
{
    /// <summary>Whether a request shows what stands in the file, which is read each time so that it can be replaced at any time; null: the file cannot be read.</summary>
    public static bool? IsShownBy(HttpRequest request, string file)
    {
        try
        {
            return BearerFile.Read(file) is { } secret && Shown(request) is { } shown && AreEqual(shown, secret);
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            return null;
        }
    }

    private static string? Shown(HttpRequest request)
    {
        if (!AuthenticationHeaderValue.TryParse(request.Headers.Authorization.ToString(), out AuthenticationHeaderValue? header) || header.Parameter is not { } shown)
        {
            return null;
        }

        return header.Scheme.ToUpperInvariant() switch
        {
            "BEARER" => shown,
            "BASIC" => PasswordIn(shown),
            _ => null,
        };
    }

    /// <summary>RFC 7617: user and password, of which the user says nothing here.</summary>
    private static string? PasswordIn(string encoded)
    {
        Span<byte> decoded = stackalloc byte[1024];
        if (encoded.Length > decoded.Length || !Convert.TryFromBase64String(encoded, decoded, out int length))
        {
            return null;
        }

        string pair = Encoding.UTF8.GetString(decoded[..length]);
        int colon = pair.IndexOf(':', StringComparison.Ordinal);
        return colon < 0 ? null : pair[(colon + 1)..];
    }

    // Digests are of one length: neither the time nor its parts tell how much of a guess was right.
    private static bool AreEqual(string shown, string secret) =>
        CryptographicOperations.FixedTimeEquals(SHA256.HashData(Encoding.UTF8.GetBytes(shown)), SHA256.HashData(Encoding.UTF8.GetBytes(secret)));
}
