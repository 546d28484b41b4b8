using System.Net;
using Npgsql;

namespace Titration.Worker.Configuration;

/// <summary>What may travel unencrypted: what stays on this machine, and what a loudly named setting lets go.</summary>
/// <param name="allowPlainHttp"><see cref="FhirServerOptions.DangerouslyAllowPlainHttp"/>.</param>
public sealed class TransportRules(bool allowPlainHttp)
{
    /// <summary>Whether a request that carries a token or a patient's data may go there.</summary>
    public bool Allows(Uri address) => address.Scheme == Uri.UriSchemeHttps || (address.Scheme == Uri.UriSchemeHttp && (allowPlainHttp || address.IsLoopback));

    /// <summary>
    /// The connection string with the server's certificate and name checked, which is the default here for every host but this machine; anything weaker
    /// that was asked for is a problem.
    /// </summary>
    internal static string Secured(NpgsqlConnectionStringBuilder connection, ICollection<string> problems)
    {
        // Parameters are patients' data, and would go into the log.
        connection.LogParameters = false;
        if (!IsOnThisMachine(connection.Host ?? ""))
        {
            if (!connection.ShouldSerialize("SSL Mode"))
            {
                connection.SslMode = SslMode.VerifyFull;
            }
            else if (connection.SslMode != SslMode.VerifyFull)
            {
                problems.Add(
                    $"Titration:Database:ConnectionString: SSL Mode={connection.SslMode} does not check who answers; for a server on another machine leave it out or set "
                    + "VerifyFull, and name the authority with Root Certificate=file.pem if it is the clinic's own");
            }
        }

        return connection.ConnectionString;
    }

    // Several hosts, each with a port or without, or the folder of a socket.
    private static bool IsOnThisMachine(string hosts) => hosts.Split(',', StringSplitOptions.TrimEntries | StringSplitOptions.RemoveEmptyEntries).All(host =>
        host is ['/', ..] or ['@', ..] || Uri.TryCreate($"tcp://{(IPAddress.TryParse(host, out IPAddress? ip) && ip.ToString().Contains(':', StringComparison.Ordinal) ? $"[{ip}]" : host)}", UriKind.Absolute, out Uri? address) && address.IsLoopback);
}
