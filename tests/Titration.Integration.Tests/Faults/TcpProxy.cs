using System.Collections.Concurrent;
using System.Net;
using System.Net.Sockets;

namespace Titration.Integration.Tests.Faults;

/// <summary>
/// Stands between the workers and a server of theirs, and does to their connections what networks do: cuts them, holds every byte back for a while, lets
/// nobody in, and cuts one at the very moment when the server was told to commit.
/// </summary>
internal sealed class TcpProxy : IAsyncDisposable
{
    private readonly TcpListener _listener = new(IPAddress.Loopback, 0);
    private readonly CancellationTokenSource _ending = new();
    private readonly ConcurrentDictionary<Link, bool> _links = [];
    private readonly ConcurrentQueue<CutAt> _cuts = [];
    private readonly string _host;
    private readonly int _port;
    private volatile Task _passing = Task.CompletedTask;
    private volatile bool _refuses;

    private TcpProxy(string host, int port)
    {
        (_host, _port) = (host, port);
        _listener.Start();
        _ = AcceptAsync();
    }

    /// <summary>Where it listens, on the loopback address.</summary>
    public int Port => ((IPEndPoint)_listener.LocalEndpoint).Port;

    public static TcpProxy To(string host, int port) => new(host, port);

    /// <summary>Resets every connection.</summary>
    /// <returns>How many.</returns>
    public int Cut()
    {
        Link[] links = [.. _links.Keys];
        foreach (Link link in links)
        {
            link.Reset();
        }

        return links.Length;
    }

    /// <summary>Holds every byte back for a while; the connections stand.</summary>
    public async Task HoldAsync(TimeSpan time, CancellationToken cancellationToken)
    {
        TaskCompletionSource passing = new(TaskCreationOptions.RunContinuationsAsynchronously);
        _passing = passing.Task;
        try
        {
            await Task.Delay(time, cancellationToken);
        }
        finally
        {
            _passing = Task.CompletedTask;
            passing.SetResult();
        }
    }

    /// <summary>Resets every connection and lets nobody in for a while.</summary>
    public async Task RefuseAsync(TimeSpan time, CancellationToken cancellationToken)
    {
        _refuses = true;
        try
        {
            Cut();
            await Task.Delay(time, cancellationToken);
        }
        finally
        {
            _refuses = false;
        }
    }

    /// <summary>Resets the next connection on which these bytes are sent to the server: before they reach it, or after it has answered.</summary>
    /// <returns>Done when it has happened.</returns>
    public Task CutAtAsync(byte[] bytes, bool afterAnswer)
    {
        CutAt cut = new(bytes, afterAnswer);
        _cuts.Enqueue(cut);
        return cut.Happened.Task;
    }

    public async ValueTask DisposeAsync()
    {
        await _ending.CancelAsync();
        _listener.Stop();
        Cut();
        _ending.Dispose();
    }

    private async Task AcceptAsync()
    {
        while (!_ending.IsCancellationRequested)
        {
            try
            {
                Link link = new(await _listener.AcceptTcpClientAsync(_ending.Token));
                _links[link] = true;
                _ = ServeAsync(link);
            }
            catch (Exception ended) when (ended is OperationCanceledException or SocketException or ObjectDisposedException)
            {
                return;
            }
        }
    }

    private async Task ServeAsync(Link link)
    {
        try
        {
            if (!_refuses)
            {
                await link.Server.ConnectAsync(_host, _port, _ending.Token);
                link.Client.NoDelay = link.Server.NoDelay = true;
                await Task.WhenAny(PassAsync(link, toServer: true), PassAsync(link, toServer: false));
            }
        }
        catch (Exception gone) when (gone is SocketException or IOException or OperationCanceledException or ObjectDisposedException)
        {
            // The server is down: the client is reset, as it would be without anything between them.
        }
        finally
        {
            link.Reset();
            _links.TryRemove(link, out _);
        }
    }

    private async Task PassAsync(Link link, bool toServer)
    {
        byte[] buffer = new byte[16 * 1024];
        try
        {
            NetworkStream from = (toServer ? link.Client : link.Server).GetStream();
            NetworkStream to = (toServer ? link.Server : link.Client).GetStream();
            int read;
            while ((read = await from.ReadAsync(buffer, _ending.Token)) > 0)
            {
                await _passing;
                if (toServer && _cuts.TryPeek(out CutAt? first) && buffer.AsSpan(0, read).IndexOf(first.Bytes) >= 0 && _cuts.TryDequeue(out CutAt? cut))
                {
                    link.CutOnAnswer = cut;
                    if (!cut.AfterAnswer)
                    {
                        break;
                    }
                }
                else if (!toServer && link.CutOnAnswer is not null)
                {
                    break;
                }

                await to.WriteAsync(buffer.AsMemory(0, read), _ending.Token);
            }
        }
        catch (Exception gone) when (gone is SocketException or IOException or OperationCanceledException or ObjectDisposedException or InvalidOperationException)
        {
            // Reset by either side, or by a fault.
        }
        finally
        {
            link.Reset();
            link.CutOnAnswer?.Happened.TrySetResult();
        }
    }

    /// <summary>A client's connection and the one to the server that belongs to it.</summary>
    private sealed class Link(TcpClient client)
    {
        public TcpClient Client { get; } = client;

        public TcpClient Server { get; } = new();

        public CutAt? CutOnAnswer { get; set; }

        public void Reset()
        {
            foreach (TcpClient end in (TcpClient[])[Client, Server])
            {
                end.Client?.Close(0);
                end.Dispose();
            }
        }
    }

    private sealed record CutAt(byte[] Bytes, bool AfterAnswer)
    {
        public TaskCompletionSource Happened { get; } = new(TaskCreationOptions.RunContinuationsAsynchronously);
    }
}
