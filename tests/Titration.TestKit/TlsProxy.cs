using System.Net;
using System.Net.Security;
using System.Net.Sockets;
using System.Security.Cryptography.X509Certificates;

namespace Titration.TestKit;

/// <summary>
/// TLS in front of a server that has none: whatever a client says after the handshake goes on to the server as it is. So a client's handshake is tested
/// with a real server behind it, wherever that one came from.
/// </summary>
public sealed class TlsProxy : IAsyncDisposable
{
    private readonly TcpListener _listener = new(IPAddress.Loopback, 0);
    private readonly CancellationTokenSource _ended = new();
    private readonly SslServerAuthenticationOptions _options;
    private readonly Uri _server;
    private readonly bool _isPostgres;
    private readonly Task _accepting;
    private int _completed;
    private int _failed;

    /// <param name="server">Where the plain server listens; its scheme says whether it is PostgreSQL, whose clients ask for TLS in words first.</param>
    /// <param name="certificate">PEM files of certificate and key.</param>
    /// <param name="clientIssuer">Subject of the authority whose certificate a client has to show; null: none is asked for.</param>
    public TlsProxy(Uri server, (string Certificate, string Key) certificate, string? clientIssuer = null)
    {
        _server = server;
        _isPostgres = server.Scheme == "postgres";
        _options = new SslServerAuthenticationOptions
        {
            ServerCertificate = X509Certificate2.CreateFromPemFile(certificate.Certificate, certificate.Key),
            ClientCertificateRequired = clientIssuer is not null,
            RemoteCertificateValidationCallback = (_, shown, _, _) => clientIssuer is null || shown?.Issuer == clientIssuer,
        };
        _listener.Start();
        _accepting = AcceptAsync();
    }

    public int Port => ((IPEndPoint)_listener.LocalEndpoint).Port;

    /// <summary>Handshakes after which a client went on to speak.</summary>
    public int Completed => Volatile.Read(ref _completed);

    /// <summary>Handshakes that one side broke off, and connections that broke.</summary>
    public int Failed => Volatile.Read(ref _failed);

    public async ValueTask DisposeAsync()
    {
        await _ended.CancelAsync();
        _listener.Stop();
        await _accepting;
        _ended.Dispose();
    }

    private async Task AcceptAsync()
    {
        List<Task> served = [];
        try
        {
            while (true)
            {
                served.Add(ServeAsync(await _listener.AcceptTcpClientAsync(_ended.Token)));
            }
        }
        catch (Exception end) when (end is OperationCanceledException or SocketException)
        {
            await Task.WhenAll(served);
        }
    }

    private async Task ServeAsync(TcpClient client)
    {
        using (client)
        using (TcpClient server = new())
        {
            try
            {
                NetworkStream plain = client.GetStream();
                if (_isPostgres)
                {
                    // PostgreSQL's SSLRequest, "Message Formats" of its protocol: 8 bytes; "S" says yes.
                    await plain.ReadExactlyAsync(new byte[8], _ended.Token);
                    await plain.WriteAsync("S"u8.ToArray(), _ended.Token);
                }

                await using SslStream secure = new(plain);
                try
                {
                    await secure.AuthenticateAsServerAsync(_options, _ended.Token);
                    // In TLS 1.3 a client that refuses the certificate may complain or leave only after the server is content.
                    byte[] first = new byte[16 * 1024];
                    int length = await secure.ReadAsync(first, _ended.Token);
                    if (length == 0)
                    {
                        Interlocked.Increment(ref _failed);
                        return;
                    }

                    Interlocked.Increment(ref _completed);
                    await server.ConnectAsync(_server.Host, _server.Port, _ended.Token);
                    NetworkStream onward = server.GetStream();
                    await onward.WriteAsync(first.AsMemory(0, length), _ended.Token);
                    await Task.WhenAny(secure.CopyToAsync(onward, _ended.Token), onward.CopyToAsync(secure, _ended.Token));
                }
                catch (System.Security.Authentication.AuthenticationException)
                {
                    Interlocked.Increment(ref _failed);
                }
            }
            catch (Exception end) when (end is IOException or OperationCanceledException or SocketException or ObjectDisposedException)
            {
                // A side has gone.
                Interlocked.Increment(ref _failed);
            }
        }
    }
}
