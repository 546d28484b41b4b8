using System.Net.Http.Headers;
using System.Net.Http.Json;
using System.Text.Json.Nodes;
using Titration.TestKit;

namespace Titration.Worker.Tests;

/// <summary><c>titration run</c> as a process, without any configuration but a free port, in a folder of the test's.</summary>
internal sealed class ServiceProcess : IAsyncDisposable
{
    private static readonly Dictionary<string, string> FreePort = new(StringComparer.Ordinal) { ["Titration__Health__Port"] = "0" };

    private readonly HttpClient _http = new();

    private ServiceProcess(TitrationProcess process) => Process = process;

    public TitrationProcess Process { get; }

    public static async Task<ServiceProcess> StartAsync(string folder, CancellationToken cancellationToken)
    {
        ServiceProcess service = new(TitrationProcess.Start(folder, FreePort, "run"));
        string health = await service.Process.LineAsync("health", cancellationToken);
        service._http.BaseAddress = new Uri(new Uri(health), "/");
        return service;
    }

    public Task<HttpResponseMessage> GetAsync(string path, CancellationToken cancellationToken) =>
        _http.GetAsync(new Uri(path, UriKind.Relative), cancellationToken);

    public async Task<HttpResponseMessage> PostAsync(byte[] body, CancellationToken cancellationToken)
    {
        using ByteArrayContent content = new(body);
        content.Headers.ContentType = new MediaTypeHeaderValue("application/fhir+json");
        return await _http.PostAsync(new Uri("inbound", UriKind.Relative), content, cancellationToken);
    }

    public async Task<IReadOnlyList<JsonObject>> CommunicationRequestsAsync(CancellationToken cancellationToken)
    {
        JsonObject bundle = (await _http.GetFromJsonAsync<JsonObject>(new Uri("fhir/CommunicationRequest?_count=1000", UriKind.Relative), cancellationToken))!;
        return [.. bundle["entry"]?.AsArray().Select(e => e!["resource"]!.AsObject()) ?? []];
    }

    public async ValueTask DisposeAsync()
    {
        _http.Dispose();
        await Process.DisposeAsync();
    }
}
