using System.Text;

namespace Titration.Worker.Access;

/// <summary>No access token could be had. It says why by a code: what a server answered may hold anything.</summary>
/// <param name="reason">Such as <c>token-http-400-invalid_client</c>.</param>
public sealed class AccessTokenException(string reason) : HttpRequestException(HttpRequestError.UserAuthenticationError, $"No access token: {reason}.")
{
    public string Reason => reason;
}

/// <summary>Gives the token that opens the FHIR server.</summary>
public interface IAccessTokens
{
    /// <summary>A token for the next request.</summary>
    /// <param name="rejected">The token that the server has just answered with 401; null: none. It is not given again if there is another.</param>
    /// <param name="cancellationToken">Ends the wait.</param>
    /// <exception cref="AccessTokenException">None can be had now.</exception>
    Task<string> GetAsync(string? rejected, CancellationToken cancellationToken);
}

/// <summary>A token that somebody else puts into a file and replaces there.</summary>
public sealed class BearerFile(string file) : IAccessTokens
{
    /// <inheritdoc/>
    public Task<string> GetAsync(string? rejected, CancellationToken cancellationToken)
    {
        try
        {
            return Task.FromResult(Read(file) ?? throw new AccessTokenException("token-file-content"));
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            throw new AccessTokenException("token-file-unreadable");
        }
    }

    /// <summary>The token in a file; null where there is none that a header can carry.</summary>
    /// <exception cref="IOException">It cannot be read.</exception>
    /// <exception cref="UnauthorizedAccessException">It may not be read.</exception>
    public static string? Read(string file)
    {
        string token = Encoding.UTF8.GetString(BoundedFile.Read(file, BoundedFile.SecretBytes)).Trim();
        return IsToken(token) ? token : null;
    }

    /// <summary>What RFC 6750 allows, seen widely: printable ASCII without blanks.</summary>
    internal static bool IsToken(string? token) => token is { Length: > 0 and <= 16 * 1024 } && token.All(c => c is > ' ' and < '\x7f');
}
