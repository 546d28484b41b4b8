using System.Net.Http.Headers;
using System.Net.Http.Json;
using System.Text.Json.Nodes;
using Titration.TestKit;
using Titration.TestKit.Builders;

namespace Titration.Integration.Tests;

/// <summary>A fault of the endpoint; see the head of <c>tests/peer/fhir-peer.mjs</c>.</summary>
internal sealed record Fault(
    string? Match = null, int Times = 1, int? Status = null, int? RetryAfter = null, int? DelayMs = null, bool Drop = false, bool After = false);

/// <summary>A request that the endpoint saw.</summary>
internal sealed record SeenRequest(string Method, string Url, int? Status, DateTimeOffset At, string IfNoneExist, string IfMatch);

/// <summary>The independent FHIR endpoint, looked at from outside.</summary>
internal sealed class Peer(Uri fhirBase, bool lent = false) : IDisposable
{
    /// <summary>Everything that stood on an endpoint at the end of a test: the validators look at it in the end.</summary>
    public static readonly string DumpFolder = Directory.CreateTempSubdirectory("titration-peer-").FullName;

    private static readonly string[] Types =
        ["CommunicationRequest", "Task", "DetectedIssue", "Flag", "Provenance", "Device", "Communication", "AuditEvent"];

    private static int _dumped;
    private readonly HttpClient _http = new();

    public Uri FhirBase => fhirBase;

    /// <summary>One for the test alone, emptied.</summary>
    public static async Task<Peer> ConnectAsync(CancellationToken cancellationToken)
    {
        Peer peer = new(await Endpoints.TakeAsync(cancellationToken), lent: true);
        await peer.ResetAsync(cancellationToken);
        return peer;
    }

    /// <summary>Forgets resources, log and faults.</summary>
    public Task ResetAsync(CancellationToken cancellationToken) => ControlAsync("__reset", null, cancellationToken);

    /// <summary>Replaces the fault plan.</summary>
    public Task FaultsAsync(CancellationToken cancellationToken, params Fault[] faults) =>
        ControlAsync("__faults", JsonContent.Create(faults, options: new(System.Text.Json.JsonSerializerDefaults.Web)
        {
            DefaultIgnoreCondition = System.Text.Json.Serialization.JsonIgnoreCondition.WhenWritingNull,
        }), cancellationToken);

    /// <summary>Forgets the requests seen so far.</summary>
    public async Task ResetLogAsync(CancellationToken cancellationToken) => (await _http.DeleteAsync(new Uri(fhirBase, "/__log"), cancellationToken)).EnsureSuccessStatusCode();

    /// <summary>Makes it another kind of server until the next reset; see the head of <c>tests/peer/fhir-peer.mjs</c>.</summary>
    public Task BecomeAsync(object abilities, CancellationToken cancellationToken) => ControlAsync("__abilities", JsonContent.Create(abilities), cancellationToken);

    public async Task<IReadOnlyList<SeenRequest>> LogAsync(CancellationToken cancellationToken)
    {
        JsonArray log = (await _http.GetFromJsonAsync<JsonArray>(new Uri(fhirBase, "/__log"), cancellationToken))!;
        return
        [
            .. log.Select(r => new SeenRequest(
                r!["method"]!.GetValue<string>(), r["url"]!.GetValue<string>(), r["status"]?.GetValue<int>(),
                DateTimeOffset.Parse(r["at"]!.GetValue<string>()),
                r["headers"]!["if-none-exist"]?.GetValue<string>() ?? "", r["headers"]!["if-match"]?.GetValue<string>() ?? "")),
        ];
    }

    public async Task<IReadOnlyList<JsonObject>> SearchAsync(string type, CancellationToken cancellationToken)
    {
        JsonObject bundle = (await _http.GetFromJsonAsync<JsonObject>(new Uri($"{fhirBase}/{type}?_count=1000"), cancellationToken))!;
        return [.. bundle["entry"]?.AsArray().Select(e => e!["resource"]!.AsObject()) ?? []];
    }

    public async Task<IReadOnlyList<SentCommunication>> CommunicationsAsync(CancellationToken cancellationToken) =>
        [.. (await SearchAsync("CommunicationRequest", cancellationToken)).Select(SentCommunication.Of)];

    public async Task<IReadOnlyList<SentCommunication>> CommunicationsToAsync(string patient, CancellationToken cancellationToken) =>
        [.. (await CommunicationsAsync(cancellationToken)).Where(c => c.Patient == patient)];

    /// <summary>Writes a resource under its own id, as the clinic would.</summary>
    public async Task PutAsync(JsonObject resource, CancellationToken cancellationToken, string? ifMatch = null)
    {
        using HttpRequestMessage request = new(HttpMethod.Put, new Uri($"{fhirBase}/{resource["resourceType"]}/{resource["id"]}"));
        request.Content = new ByteArrayContent(resource.ToUtf8());
        request.Content.Headers.ContentType = new MediaTypeHeaderValue("application/fhir+json");
        if (ifMatch is not null)
        {
            request.Headers.TryAddWithoutValidation("If-Match", $"W/\"{ifMatch}\"");
        }

        using HttpResponseMessage response = await _http.SendAsync(request, cancellationToken);
        response.EnsureSuccessStatusCode();
    }

    public async Task DeleteAsync(string reference, CancellationToken cancellationToken)
    {
        using HttpResponseMessage response = await _http.DeleteAsync(new Uri($"{fhirBase}/{reference}"), cancellationToken);
        response.EnsureSuccessStatusCode();
    }

    /// <summary>Keeps what stands there now for the validators.</summary>
    public async Task DumpAsync(CancellationToken cancellationToken)
    {
        string folder = Directory.CreateDirectory(Path.Combine(DumpFolder, $"{Interlocked.Increment(ref _dumped):000}")).FullName;
        foreach (string type in Types)
        {
            foreach (JsonObject resource in await SearchAsync(type, cancellationToken))
            {
                await File.WriteAllBytesAsync(Path.Combine(folder, $"{type}-{resource["id"]}.json"), resource.ToUtf8(), cancellationToken);
            }
        }
    }

    /// <summary>Waits until so many communications are there, and no more.</summary>
    public Task<IReadOnlyList<SentCommunication>> HoldsAsync(int communications, CancellationToken cancellationToken) =>
        Eventually.CountsAsync("communications on the FHIR server", communications, () => CommunicationsAsync(cancellationToken), cancellationToken);

    public void Dispose()
    {
        _http.Dispose();
        if (lent)
        {
            Endpoints.GiveBack(fhirBase);
        }
    }

    private async Task ControlAsync(string path, HttpContent? content, CancellationToken cancellationToken)
    {
        using HttpResponseMessage response = await _http.PostAsync(new Uri(fhirBase, $"/{path}"), content, cancellationToken);
        response.EnsureSuccessStatusCode();
    }
}
