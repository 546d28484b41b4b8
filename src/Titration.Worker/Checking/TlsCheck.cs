using System.Net.Security;
using System.Net.Sockets;
using System.Security.Authentication;
using System.Security.Cryptography.X509Certificates;
using Titration.Worker.Access;

namespace Titration.Worker.Checking;

/// <summary>Shakes hands as the service will, to see the other side's certificate.</summary>
internal static class TlsCheck
{
    /// <param name="subject">The row's.</param>
    /// <param name="address">Where to.</param>
    /// <param name="isSecure">Whether the address asks for TLS.</param>
    /// <param name="port">The scheme's, where the address names none.</param>
    /// <param name="tls">Whom we trust, and what we show.</param>
    /// <param name="cancellationToken">Ends it.</param>
    public static async Task<CheckRow> RunAsync(string subject, Uri address, bool isSecure, int port, Tls tls, CancellationToken cancellationToken)
    {
        if (!isSecure)
        {
            return address.IsLoopback
                ? CheckRow.Ok(subject, "none, and none is needed: it is on this machine")
                : CheckRow.Warning(subject, "none: patients' data and secrets travel unencrypted", $"Use {(address.Scheme == "amqp" ? "amqps" : "https")}://.");
        }

        SslPolicyErrors? refused = null;
        try
        {
            using TcpClient client = new();
            await client.ConnectAsync(address.Host, address.Port > 0 ? address.Port : port, cancellationToken);
            await using SslStream stream = new(client.GetStream(), leaveInnerStreamOpen: false);
            SslClientAuthenticationOptions options = tls.ClientOptions();
            options.TargetHost = address.Host;
            // The callback judges by the same authorities, and keeps what is wrong.
            options.CertificateChainPolicy = null;
            options.RemoteCertificateValidationCallback = (_, certificate, chain, errors) =>
            {
                bool accepted = tls.Accepts(certificate, chain, errors);
                refused = accepted ? null : errors;
                return accepted;
            };
            await stream.AuthenticateAsClientAsync(options, cancellationToken);
            using X509Certificate2 shown = X509CertificateLoader.LoadCertificate(stream.RemoteCertificate!.GetRawCertData());
            return SurroundingsCheck.CertificateRow(subject, shown.NotAfter, $"{stream.SslProtocol}, {shown.GetNameInfo(X509NameType.SimpleName, forIssuer: false)}, ");
        }
        catch (AuthenticationException) when (refused is not null)
        {
            return CheckRow.Wrong(subject, $"the certificate is not accepted: {Words(refused.Value)}", RemedyOf(refused.Value, address.Host));
        }
        catch (Exception problem) when (problem is SocketException or IOException or AuthenticationException)
        {
            return CheckRow.Wrong(subject, $"no TLS to be had ({problem.GetType().Name})", "See whether the port speaks TLS, and whether it wants a certificate of ours (…Tls:CertificateFile).");
        }
    }

    private static string Words(SslPolicyErrors errors) =>
        errors.HasFlag(SslPolicyErrors.RemoteCertificateNameMismatch) ? "it is for another host name" : "no authority that is trusted here has certified it, or it has run out";

    private static string RemedyOf(SslPolicyErrors errors, string host) => errors.HasFlag(SslPolicyErrors.RemoteCertificateNameMismatch)
        ? $"Use the name in the certificate in place of {host}, or have one issued for {host}."
        : "Name the clinic's authority with …Tls:CaFile (PEM), or have the certificate renewed.";
}
