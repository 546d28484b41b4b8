using System.Net.Security;
using System.Security.Authentication;
using System.Security.Cryptography.X509Certificates;
using RabbitMQ.Client;
using Titration.Worker.Access;
using Titration.Worker.Configuration;

namespace Titration.Worker.Hosting;

/// <summary>How connections of our own to the broker are made, beside those of the bus: with the same checks.</summary>
internal static class BrokerAddress
{
    public static ConnectionFactory Factory(Settings settings, TimeSpan patience)
    {
        Uri address = new(settings.Options.Broker.Uri);
        ConnectionFactory factory = new()
        {
            Uri = address,
            AutomaticRecoveryEnabled = false,
            RequestedConnectionTimeout = patience,
            ContinuationTimeout = patience,
            HandshakeContinuationTimeout = patience,
            ClientProvidedName = "titration",
        };
        if (address.Scheme != "amqps")
        {
            return factory;
        }

        Tls tls = settings.Security.Broker;
        factory.Ssl = new SslOption
        {
            Enabled = true,
            ServerName = address.Host,
            // The versions that the operating system allows.
            Version = SslProtocols.None,
            AcceptablePolicyErrors = SslPolicyErrors.None,
            CertificateValidationCallback = (_, certificate, chain, errors) => tls.Accepts(certificate, chain, errors),
            Certs = tls.Certificate is { } own ? new X509CertificateCollection { own.Certificate } : null,
        };
        return factory;
    }
}
