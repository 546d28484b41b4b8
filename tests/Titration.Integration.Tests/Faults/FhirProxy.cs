using System.Collections.Concurrent;
using System.Globalization;
using System.Net.Http.Headers;
using System.Text;
using System.Text.Json.Nodes;
using Microsoft.AspNetCore.Builder;
using Microsoft.AspNetCore.Hosting;
using Microsoft.AspNetCore.Http;
using Microsoft.Extensions.Logging;

namespace Titration.Integration.Tests.Faults;

/// <summary>A version of a CommunicationRequest that the server has committed.</summary>
internal sealed record CommittedWrite(string Patient, string Identifier, string Status, string Priority, string Version);

/// <summary>
/// Stands between the workers and the FHIR endpoint: spoils single requests, before the server has carried them out or after it, and keeps a journal of what
/// was committed, in order.
/// </summary>
internal sealed class FhirProxy : IAsyncDisposable
{
    /// <summary>Longer than the workers wait for an answer: by then they have given up, or are cut off.</summary>
    private static readonly TimeSpan TooLong = TimeSpan.FromMilliseconds(1500);

    private readonly HttpClient _http = new(new SocketsHttpHandler { AllowAutoRedirect = false }) { Timeout = TimeSpan.FromMinutes(1) };
    private readonly ConcurrentQueue<CommittedWrite> _journal = [];
    private readonly ConcurrentDictionary<FaultKind, int> _injected = [];
    private readonly List<InjectedFault> _armed = [];
    private readonly Uri _server;
    private readonly WebApplication _app;
    private int _requests;
    private volatile bool _away;
    private volatile TaskCompletionSource? _stalled;

    private FhirProxy(Uri server)
    {
        _server = server;
        WebApplicationBuilder builder = WebApplication.CreateSlimBuilder();
        builder.Logging.ClearProviders();
        builder.WebHost.ConfigureKestrel(kestrel => kestrel.Listen(System.Net.IPAddress.Loopback, 0));
        _app = builder.Build();
        _app.Run(HandleAsync);
    }

    /// <summary>The FHIR base that the workers are told.</summary>
    public Uri FhirBase => new(new Uri(_app.Urls.First()), _server.AbsolutePath);

    /// <summary>Every version of a CommunicationRequest, in the order in which the server took them.</summary>
    public IReadOnlyList<CommittedWrite> Journal => [.. _journal.Distinct()];

    /// <summary>Faults that have hit a request, by kind.</summary>
    public IReadOnlyDictionary<FaultKind, int> Injected => _injected;

    /// <summary>Faults that have not found a request to hit yet.</summary>
    public int Armed
    {
        get
        {
            lock (_armed)
            {
                return _armed.Count;
            }
        }
    }

    public static async Task<FhirProxy> StartAsync(Uri server, CancellationToken cancellationToken)
    {
        FhirProxy proxy = new(server);
        await proxy._app.StartAsync(cancellationToken);
        return proxy;
    }

    /// <summary>Lets the next request that it fits meet this fault.</summary>
    public void Arm(InjectedFault fault)
    {
        lock (_armed)
        {
            _armed.Add(fault);
        }
    }

    /// <summary>Resets every request for a while.</summary>
    public async Task AwayAsync(TimeSpan time, CancellationToken cancellationToken)
    {
        _away = true;
        try
        {
            await Task.Delay(time, cancellationToken);
        }
        finally
        {
            _away = false;
        }
    }

    /// <summary>Lets every request get stuck on the way, until <see cref="Flow"/>.</summary>
    /// <returns>Done when they go on.</returns>
    public Task StallAsync(CancellationToken cancellationToken)
    {
        _stalled = new TaskCompletionSource(TaskCreationOptions.RunContinuationsAsynchronously);
        return _stalled.Task.WaitAsync(cancellationToken);
    }

    /// <summary>What got stuck is lost; what comes from now on gets through.</summary>
    public void Flow()
    {
        TaskCompletionSource? stalled = _stalled;
        _stalled = null;
        stalled?.SetResult();
    }

    public async ValueTask DisposeAsync()
    {
        await _app.DisposeAsync();
        _http.Dispose();
    }

    // One request in three at most is spoilt, so that what is spoilt is among others.
    private InjectedFault? TakeFault(HttpRequest request)
    {
        if (Interlocked.Increment(ref _requests) % 3 != 0)
        {
            return null;
        }

        lock (_armed)
        {
            InjectedFault? fault = _armed.Find(f => Fits(f.Kind, request));
            if (fault is not null)
            {
                _armed.Remove(fault);
                _injected.AddOrUpdate(fault.Kind, 1, (_, n) => n + 1);
            }

            return fault;
        }
    }

    /// <summary>
    /// A refusal for good is one of a new resource among many: of a read it would say that the thing is not to be had, and no service could know better.
    /// </summary>
    private static bool Fits(FaultKind kind, HttpRequest request) => kind switch
    {
        FaultKind.Refused => HttpMethods.IsPost(request.Method),
        FaultKind.Conflict => HttpMethods.IsPut(request.Method) || HttpMethods.IsPost(request.Method),
        FaultKind.RequestLate or FaultKind.AnswerNever or FaultKind.ErrorAfterCommit or FaultKind.AnswerEmpty or FaultKind.AnswerCutShort or FaultKind.AnswerLost =>
            !HttpMethods.IsGet(request.Method),
        _ => true,
    };

    private async Task HandleAsync(HttpContext context)
    {
        using MemoryStream body = new();
        await context.Request.Body.CopyToAsync(body, context.RequestAborted);
        if (_stalled is { } stalled)
        {
            await stalled.Task.WaitAsync(context.RequestAborted);
            context.Abort();
            return;
        }

        if (_away)
        {
            context.Abort();
            return;
        }

        if (TakeFault(context.Request) is not { } fault)
        {
            await AnswerAsync(context, await ForwardAsync(context.Request, body.ToArray()));
            return;
        }

        CancellationToken gaveUp = context.RequestAborted;
        switch (fault.Kind)
        {
            case FaultKind.RequestLost:
                context.Abort();
                break;
            case FaultKind.RequestLate:
                await Task.Delay(TooLong, gaveUp).ConfigureAwait(ConfigureAwaitOptions.SuppressThrowing);
                await ForwardAsync(context.Request, body.ToArray());
                context.Abort();
                break;
            case FaultKind.NoAnswer:
                await Task.Delay(TooLong, gaveUp).ConfigureAwait(ConfigureAwaitOptions.SuppressThrowing);
                context.Abort();
                break;
            case FaultKind.TooBusy:
                await RefuseAsync(context, StatusCodes.Status429TooManyRequests, "throttled", retryAfter: 1);
                break;
            case FaultKind.NotNow:
                await RefuseAsync(context, StatusCodes.Status503ServiceUnavailable, "transient", fault.Which % 2 == 0 ? 1 : null);
                break;
            case FaultKind.ServerError:
                await RefuseAsync(context, Chosen(fault, 500, 502, 504), "exception", retryAfter: null);
                break;
            case FaultKind.AnswerOfSomethingElse:
                context.Response.ContentType = "text/html";
                await context.Response.WriteAsync("<html><body>Please sign in</body></html>", gaveUp);
                break;
            case FaultKind.Conflict:
                await RefuseAsync(context, Chosen(fault, 409, 412), "conflict", retryAfter: null);
                break;
            case FaultKind.Refused:
                await RefuseAsync(context, Chosen(fault, 400, 403, 422), "invalid", retryAfter: null);
                break;
            case FaultKind.AnswerLost:
                await ForwardAsync(context.Request, body.ToArray());
                context.Abort();
                break;
            case FaultKind.AnswerNever:
                await ForwardAsync(context.Request, body.ToArray());
                await Task.Delay(TooLong, gaveUp).ConfigureAwait(ConfigureAwaitOptions.SuppressThrowing);
                context.Abort();
                break;
            case FaultKind.ErrorAfterCommit:
                await ForwardAsync(context.Request, body.ToArray());
                await RefuseAsync(context, Chosen(fault, 500, 503, 504), "exception", retryAfter: null);
                break;
            case FaultKind.AnswerCutShort:
                Answer whole = await ForwardAsync(context.Request, body.ToArray());
                await AnswerAsync(context, whole with { Body = whole.Body[..(whole.Body.Length / 2)] });
                break;
            case FaultKind.AnswerEmpty:
                await ForwardAsync(context.Request, body.ToArray());
                context.Response.StatusCode = StatusCodes.Status200OK;
                break;
            default:
                throw new InvalidOperationException($"{fault.Kind} is no fault of a request.");
        }
    }

    private async Task<Answer> ForwardAsync(HttpRequest request, byte[] body)
    {
        using HttpRequestMessage forwarded = new(new HttpMethod(request.Method), new Uri(_server, $"{request.Path}{request.QueryString}"));
        if (body.Length > 0)
        {
            forwarded.Content = new ByteArrayContent(body);
            forwarded.Content.Headers.ContentType = MediaTypeHeaderValue.Parse(request.ContentType!);
        }

        foreach (string header in (string[])["If-None-Exist", "If-Match", "Accept"])
        {
            if (request.Headers.TryGetValue(header, out var values))
            {
                forwarded.Headers.TryAddWithoutValidation(header, values.ToString());
            }
        }

        // Not the client's token: what has been sent arrives, whoever still waits for it.
        using HttpResponseMessage response = await _http.SendAsync(forwarded, CancellationToken.None);
        Answer answer = new(
            (int)response.StatusCode, await response.Content.ReadAsByteArrayAsync(CancellationToken.None), response.Content.Headers.ContentType?.ToString(),
            response.Headers.Location?.ToString(), response.Headers.ETag?.ToString());
        if (!HttpMethods.IsGet(request.Method) && answer.Status is 200 or 201 && request.Path.Value!.Contains("/CommunicationRequest", StringComparison.Ordinal))
        {
            JsonObject written = JsonNode.Parse(answer.Body)!.AsObject();
            SentCommunication sent = SentCommunication.Of(written);
            _journal.Enqueue(new CommittedWrite(sent.Patient, sent.Identifier, sent.Status, sent.Priority, sent.Version));
        }

        return answer;
    }

    private static async Task AnswerAsync(HttpContext context, Answer answer)
    {
        context.Response.StatusCode = answer.Status;
        context.Response.ContentType = answer.ContentType;
        if (answer.Location is not null)
        {
            context.Response.Headers.Location = answer.Location;
        }

        if (answer.ETag is not null)
        {
            context.Response.Headers.ETag = answer.ETag;
        }

        await context.Response.Body.WriteAsync(answer.Body, context.RequestAborted);
    }

    private static async Task RefuseAsync(HttpContext context, int status, string code, int? retryAfter)
    {
        context.Response.StatusCode = status;
        context.Response.ContentType = "application/fhir+json";
        if (retryAfter is { } seconds)
        {
            context.Response.Headers.RetryAfter = seconds.ToString(CultureInfo.InvariantCulture);
        }

        await context.Response.WriteAsync($$"""{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"{{code}}"}]}""", Encoding.UTF8, context.RequestAborted);
    }

    private static int Chosen(InjectedFault fault, params int[] statuses) => statuses[fault.Which % statuses.Length];

    private sealed record Answer(int Status, byte[] Body, string? ContentType, string? Location, string? ETag);
}
