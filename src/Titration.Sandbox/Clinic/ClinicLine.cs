using System.Net;
using System.Net.Http.Headers;
using System.Text;
using System.Text.Json.Nodes;

namespace Titration.Sandbox.Clinic;

/// <summary>The invented clinic's lines: to its FHIR server, and from there to the service.</summary>
/// <param name="http">Based at the service's own address.</param>
internal sealed class ClinicLine(HttpClient http)
{
    private const int PageSize = 500;

    /// <summary>Stores a resource, and lets the interface engine send the stored version to the service.</summary>
    public async Task SendAsync(JsonObject resource, CancellationToken cancellationToken)
    {
        string stored = await PutAsync(resource, cancellationToken);
        using HttpResponseMessage taken = await http.PostAsync(new Uri("inbound", UriKind.Relative), Body(stored), cancellationToken);
        await RequireAsync(taken, cancellationToken);
    }

    public async Task<string> PutAsync(JsonObject resource, CancellationToken cancellationToken)
    {
        Uri address = new($"fhir/{resource["resourceType"]}/{resource["id"]}", UriKind.Relative);
        using HttpResponseMessage stored = await http.PutAsync(address, Body(resource.ToJsonString()), cancellationToken);
        return await RequireAsync(stored, cancellationToken);
    }

    public async Task<JsonObject> GetAsync(string path, CancellationToken cancellationToken)
    {
        using HttpResponseMessage response = await http.GetAsync(new Uri(path.Contains("://", StringComparison.Ordinal) ? path : $"fhir/{path}", UriKind.RelativeOrAbsolute), cancellationToken);
        return JsonNode.Parse(await RequireAsync(response, cancellationToken))!.AsObject();
    }

    /// <summary>The resources of a type of which a version was written at or after an instant, as they stand now.</summary>
    public async Task<IReadOnlyList<JsonObject>> ChangedAsync(string type, DateTimeOffset since, CancellationToken cancellationToken)
    {
        List<JsonObject> changed = [];
        string? page = $"{type}?_lastUpdated=ge{ClinicResources.Instant(since)}&_count={PageSize}";
        while (page is not null)
        {
            JsonObject bundle = await GetAsync(page, cancellationToken);
            changed.AddRange(bundle["entry"]?.AsArray().Select(e => e!["resource"]!.AsObject()) ?? []);
            page = bundle["link"]?.AsArray().FirstOrDefault(l => l!["relation"]!.GetValue<string>() == "next")?["url"]!.GetValue<string>();
        }

        return changed;
    }

    private static StringContent Body(string json)
    {
        StringContent content = new(json, Encoding.UTF8);
        content.Headers.ContentType = new MediaTypeHeaderValue("application/fhir+json");
        return content;
    }

    private static async Task<string> RequireAsync(HttpResponseMessage response, CancellationToken cancellationToken)
    {
        string body = await response.Content.ReadAsStringAsync(cancellationToken);
        return response.StatusCode is HttpStatusCode.OK or HttpStatusCode.Created
            ? body
            : throw new InvalidOperationException($"{response.RequestMessage?.Method} {response.RequestMessage?.RequestUri?.AbsolutePath} answered {(int)response.StatusCode}: {body}");
    }
}
