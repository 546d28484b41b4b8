using System.Collections.Concurrent;
using System.Net;
using System.Text;
using Microsoft.AspNetCore.Builder;
using Microsoft.AspNetCore.Hosting;
using Microsoft.AspNetCore.Http;
using Microsoft.Extensions.Logging;

namespace Titration.TestKit;

/// <summary>Takes telemetry over OTLP/HTTP and keeps it as it came: text stands in Protocol Buffers as it is, so it can be searched unread.</summary>
public sealed class OtlpReceiver : IAsyncDisposable
{
    private readonly WebApplication _app;
    private readonly ConcurrentQueue<(string Signal, byte[] Body)> _received = new();

    private OtlpReceiver(WebApplication app) => _app = app;

    /// <summary>The environment that makes a service send here, often.</summary>
    public IEnumerable<KeyValuePair<string, string>> Environment =>
    [
        new("OTEL_EXPORTER_OTLP_ENDPOINT", _app.Urls.First()),
        new("OTEL_EXPORTER_OTLP_PROTOCOL", "http/protobuf"),
        new("OTEL_BSP_SCHEDULE_DELAY", "200"),
        new("OTEL_BLRP_SCHEDULE_DELAY", "200"),
        new("OTEL_METRIC_EXPORT_INTERVAL", "500"),
    ];

    public static async Task<OtlpReceiver> StartAsync(CancellationToken cancellationToken)
    {
        WebApplicationBuilder builder = WebApplication.CreateSlimBuilder();
        builder.Logging.ClearProviders();
        builder.WebHost.ConfigureKestrel(kestrel => kestrel.Listen(IPAddress.Loopback, 0));
        OtlpReceiver receiver = new(builder.Build());
        receiver._app.MapPost("/v1/{signal}", async (string signal, HttpRequest request) =>
        {
            using MemoryStream body = new();
            await request.Body.CopyToAsync(body);
            receiver._received.Enqueue((signal, body.ToArray()));
            return Results.Bytes([], "application/x-protobuf");
        });
        await receiver._app.StartAsync(cancellationToken);
        return receiver;
    }

    /// <summary>Everything of a signal: <c>traces</c>, <c>metrics</c> or <c>logs</c>.</summary>
    public string Text(string signal) => string.Join('\n', _received.Where(r => r.Signal == signal).Select(r => Encoding.Latin1.GetString(r.Body)));

    /// <summary>All spans received so far.</summary>
    public IReadOnlyList<OtlpSpan> Spans() => [.. _received.Where(r => r.Signal == "traces").SelectMany(r => OtlpSpan.In(r.Body))];

    /// <summary>Waits until what has happened so far has been sent: two more deliveries of each signal.</summary>
    public async Task CatchUpAsync(CancellationToken cancellationToken)
    {
        foreach (string signal in new[] { "traces", "metrics", "logs" })
        {
            int before = Count(signal);
            await Eventually.HoldsAsync($"more {signal}", () => Task.FromResult(Count(signal) >= before + 2), cancellationToken);
        }
    }

    public ValueTask DisposeAsync() => _app.DisposeAsync();

    private int Count(string signal) => _received.Count(r => r.Signal == signal);
}
