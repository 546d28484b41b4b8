using System.Net;
using System.Text;
using System.Text.Json;
using Microsoft.AspNetCore.Builder;
using Microsoft.AspNetCore.Hosting;
using Microsoft.Extensions.Logging;
using Microsoft.Extensions.Time.Testing;
using Xunit;

namespace Titration.Sandbox.Tests;

/// <summary>The endpoint on a real Kestrel with a file of its own, and a client for it. The clock stands still until a test moves it.</summary>
internal sealed class RunningSandbox : IAsyncDisposable
{
    public static readonly DateTimeOffset Start = new(2026, 3, 1, 10, 0, 0, TimeSpan.Zero);

    private readonly string _folder;
    private readonly WebApplication _app;

    private RunningSandbox(string folder, FakeTimeProvider clock, int bodyLimitBytes)
    {
        _folder = folder;
        Clock = clock;
        Store = FhirStore.Open(Path.Combine(folder, "fhir.db"), clock);
        WebApplicationBuilder builder = WebApplication.CreateSlimBuilder();
        builder.Logging.ClearProviders();
        builder.WebHost.UseUrls("http://127.0.0.1:0");
        _app = builder.Build();
        _app.MapFhirEndpoint(Store, bodyLimitBytes: bodyLimitBytes);
    }

    public FakeTimeProvider Clock { get; }

    public FhirStore Store { get; }

    public HttpClient Client { get; private set; } = null!;

    public string BaseUrl => $"{_app.Urls.Single()}/fhir";

    private static CancellationToken Cancel => TestContext.Current.CancellationToken;

    public static Task<RunningSandbox> StartAsync(int bodyLimitBytes = FhirEndpoint.DefaultBodyLimitBytes) =>
        StartAsync(Directory.CreateTempSubdirectory("titration-sandbox-").FullName, new FakeTimeProvider(Start), bodyLimitBytes);

    /// <summary>Stops, and starts anew on the same file.</summary>
    public async Task<RunningSandbox> RestartAsync()
    {
        await StopAsync();
        return await StartAsync(_folder, Clock, FhirEndpoint.DefaultBodyLimitBytes);
    }

    /// <param name="headers">Pairs of name and value.</param>
    public async Task<Reply> SendAsync(string method, string path, string? body = null, params string[] headers)
    {
        using HttpRequestMessage request = new(new HttpMethod(method), $"{BaseUrl}/{path}");
        if (body is not null)
        {
            request.Content = new StringContent(body, Encoding.UTF8, "application/fhir+json");
        }

        for (int i = 0; i < headers.Length; i += 2)
        {
            Assert.True(request.Headers.TryAddWithoutValidation(headers[i], headers[i + 1]));
        }

        return await SendAsync(request);
    }

    public async Task<Reply> SendAsync(HttpRequestMessage request)
    {
        using HttpResponseMessage response = await Client.SendAsync(request, Cancel);
        return await Reply.OfAsync(response, Cancel);
    }

    public Task<Reply> GetAsync(string path, params string[] headers) => SendAsync("GET", path, null, headers);

    public Task<Reply> PostAsync(string path, string body, params string[] headers) => SendAsync("POST", path, body, headers);

    public Task<Reply> PutAsync(string path, string body, params string[] headers) => SendAsync("PUT", path, body, headers);

    public async ValueTask DisposeAsync()
    {
        await StopAsync();
        Directory.Delete(_folder, recursive: true);
    }

    private static async Task<RunningSandbox> StartAsync(string folder, FakeTimeProvider clock, int bodyLimitBytes)
    {
        RunningSandbox sandbox = new(folder, clock, bodyLimitBytes);
        await sandbox._app.StartAsync(Cancel);
        sandbox.Client = new HttpClient();
        return sandbox;
    }

    private async Task StopAsync()
    {
        Client.Dispose();
        await _app.DisposeAsync();
        Store.Dispose();
    }
}

/// <summary>An answer, read completely.</summary>
internal sealed record Reply(HttpStatusCode Status, string Body, string? EntityTag, DateTimeOffset? LastModified, string? Location, string? ContentType, IReadOnlyCollection<string> Allow)
{
    public JsonElement Json => JsonElement.Parse(Body);

    public string Id => Json.GetProperty("id").GetString()!;

    public string Version => Json.GetProperty("meta").GetProperty("versionId").GetString()!;

    /// <summary>The ids of the resources in a searchset, in order.</summary>
    public string[] Ids => [.. Entries.Select(e => e.GetProperty("resource").GetProperty("id").GetString()!)];

    public JsonElement[] Entries => Json.TryGetProperty("entry", out JsonElement entries) ? [.. entries.EnumerateArray()] : [];

    /// <summary>The statuses of the entries of a response Bundle.</summary>
    public string[] Statuses => [.. Entries.Select(e => e.GetProperty("response").GetProperty("status").GetString()!)];

    public string? Link(string relation) => Json.GetProperty("link").EnumerateArray()
        .Where(l => l.GetProperty("relation").GetString() == relation)
        .Select(l => l.GetProperty("url").GetString())
        .SingleOrDefault();

    /// <summary>The first issue of the OperationOutcome this must be.</summary>
    public (string Code, string Diagnostics) Issue()
    {
        Assert.Equal("OperationOutcome", Json.GetProperty("resourceType").GetString());
        JsonElement issue = Json.GetProperty("issue")[0];
        return (issue.GetProperty("code").GetString()!, issue.GetProperty("diagnostics").GetString()!);
    }

    public static async Task<Reply> OfAsync(HttpResponseMessage response, CancellationToken cancellationToken) => new(
        response.StatusCode,
        await response.Content.ReadAsStringAsync(cancellationToken),
        response.Headers.ETag?.ToString(),
        response.Content.Headers.LastModified,
        response.Headers.Location?.ToString(),
        response.Content.Headers.ContentType?.ToString(),
        [.. response.Content.Headers.Allow]);
}
