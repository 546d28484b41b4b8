using System.Net;
using System.Net.Http.Headers;
using System.Text;
using System.Text.Json;
using Hl7.Fhir.Model;
using Hl7.Fhir.Serialization;
using Titration.Worker.Access;
using Titration.Worker.Hosting;

namespace Titration.Worker.Delivery;

/// <summary>What the FHIR server answered.</summary>
public abstract record ServerAnswer
{
    private ServerAnswer()
    {
    }

    /// <summary>It holds the resource now.</summary>
    /// <param name="Json">The resource as it answered; null where it only said where it is.</param>
    public sealed record Held(string? Json, string Id, string? VersionId) : ServerAnswer
    {
        /// <summary>The resource; null where the answer held none, or nothing of FHIR.</summary>
        public Resource? Resource => Json is null ? null : FhirServerClient.Parse(Json);
    }

    /// <summary>It answered with a document that is nothing it holds: a page of a search, its CapabilityStatement.</summary>
    public sealed record Document(string Json) : ServerAnswer;

    /// <summary>It has no such resource (404 or 410).</summary>
    public sealed record Missing(bool Gone) : ServerAnswer;

    /// <summary>Somebody changed it meanwhile (409 or 412): read again, decide again.</summary>
    public sealed record Conflict : ServerAnswer;

    /// <summary>It will not take this, now or later.</summary>
    /// <param name="Status">HTTP status.</param>
    /// <param name="IssueCodes">The OperationOutcome's issue codes; its texts may quote the resource and stay out.</param>
    public sealed record Refused(int Status, string IssueCodes) : ServerAnswer;

    /// <summary>It cannot be asked now.</summary>
    /// <param name="Reason">A code: <c>timeout</c>, <c>connection</c>, <c>http-503</c>.</param>
    /// <param name="RetryAfter">When it asked to be asked again, counted from the answer; null: it did not say.</param>
    public sealed record Unavailable(string Reason, TimeSpan? RetryAfter) : ServerAnswer;
}

/// <summary>
/// FHIR REST as far as we need it: read, conditional create, version-aware update. Retries and the circuit breaker sit in the
/// HttpClient's handlers; what is left of trouble comes back as an answer, never as an exception.
/// </summary>
public sealed class FhirServerClient(HttpClient http, FhirServerAddress address, TimeProvider time)
{
    private static readonly MediaTypeHeaderValue FhirJson = new("application/fhir+json") { CharSet = "utf-8" };
    private static readonly FhirJsonSerializer Serializer = new();
    private static readonly FhirJsonDeserializer Deserializer = new(new DeserializerSettings().UsingMode(DeserializationMode.Recoverable));

    public Task<ServerAnswer> ReadAsync(string type, string id, CancellationToken cancellationToken) =>
        SendAsync(type, () => new HttpRequestMessage(HttpMethod.Get, $"{type}/{id}"), cancellationToken);

    /// <summary>Gets what is no resource of the server's own: a page of a search, its CapabilityStatement.</summary>
    /// <param name="type">The resource type that the answer has to be.</param>
    /// <param name="address">Relative to the base, or below it.</param>
    /// <param name="cancellationToken">Ends the wait.</param>
    public Task<ServerAnswer> GetDocumentAsync(string type, string address, CancellationToken cancellationToken) =>
        SendAsync(type, () => new HttpRequestMessage(HttpMethod.Get, address), cancellationToken, isDocument: true);

    /// <summary>Creates the resource unless one with this identifier is there: asking twice makes one.</summary>
    public Task<ServerAnswer> CreateOnceAsync(Resource resource, string ifNoneExist, CancellationToken cancellationToken)
    {
        string json = Serializer.SerializeToString(resource);
        return SendAsync(resource.TypeName, () => WithBody(HttpMethod.Post, resource.TypeName, json, "If-None-Exist", ifNoneExist), cancellationToken);
    }

    /// <summary>Writes under an id of our own: only for what nobody else edits.</summary>
    public Task<ServerAnswer> PutAsync(Resource resource, string id, CancellationToken cancellationToken)
    {
        string json = Serializer.SerializeToString(resource);
        return SendAsync(resource.TypeName, () => WithBody(HttpMethod.Put, $"{resource.TypeName}/{id}", json, null, null), cancellationToken);
    }

    /// <summary>Changes exactly this version.</summary>
    public Task<ServerAnswer> UpdateAsync(Resource resource, string versionId, CancellationToken cancellationToken)
    {
        string json = Serializer.SerializeToString(resource);
        return SendAsync(resource.TypeName, () => WithBody(HttpMethod.Put, $"{resource.TypeName}/{resource.Id}", json, "If-Match", $"W/\"{versionId}\""), cancellationToken);
    }

    private static HttpRequestMessage WithBody(HttpMethod method, string path, string json, string? header, string? value)
    {
        HttpRequestMessage request = new(method, path) { Content = new StringContent(json, Encoding.UTF8) };
        request.Content.Headers.ContentType = FhirJson;
        if (header is not null)
        {
            request.Headers.TryAddWithoutValidation(header, value);
        }

        return request;
    }

    private async Task<ServerAnswer> SendAsync(string type, Func<HttpRequestMessage> request, CancellationToken cancellationToken, bool isDocument = false)
    {
        try
        {
            using HttpRequestMessage message = request();
            // Asked each time: where the embedded endpoint listens is only known once it does.
            message.RequestUri = new Uri(address.Value, message.RequestUri!);
            message.Headers.Accept.ParseAdd("application/fhir+json");
            using HttpResponseMessage response = await http.SendAsync(message, cancellationToken);
            return await AnswerOfAsync(type, isDocument, response, cancellationToken);
        }
        catch (AccessTokenException problem)
        {
            return new ServerAnswer.Unavailable(problem.Reason, null);
        }
        catch (HttpRequestException problem)
        {
            return new ServerAnswer.Unavailable(ReasonOf(problem.HttpRequestError), null);
        }
        catch (Exception problem) when (problem is Polly.Timeout.TimeoutRejectedException || (problem is OperationCanceledException && !cancellationToken.IsCancellationRequested))
        {
            return new ServerAnswer.Unavailable("timeout", null);
        }
        catch (Polly.CircuitBreaker.BrokenCircuitException broken)
        {
            return new ServerAnswer.Unavailable("circuit-open", broken.RetryAfter);
        }
    }

    private static string ReasonOf(HttpRequestError error) => error switch
    {
        HttpRequestError.SecureConnectionError => "tls",
        HttpRequestError.ConfigurationLimitExceeded => "answer-too-large",
        _ => "connection",
    };

    private async Task<ServerAnswer> AnswerOfAsync(string type, bool isDocument, HttpResponseMessage response, CancellationToken cancellationToken)
    {
        if (response.IsSuccessStatusCode)
        {
            return isDocument ? await DocumentAsync(type, response, cancellationToken) : await HeldAsync(type, response, cancellationToken);
        }

        int status = (int)response.StatusCode;
        return response.StatusCode switch
        {
            HttpStatusCode.NotFound => new ServerAnswer.Missing(Gone: false),
            HttpStatusCode.Gone => new ServerAnswer.Missing(Gone: true),
            HttpStatusCode.Conflict or HttpStatusCode.PreconditionFailed => new ServerAnswer.Conflict(),
            HttpStatusCode.RequestTimeout or HttpStatusCode.TooManyRequests or HttpStatusCode.Unauthorized => Unavailable(response, status),
            // A redirection is not followed: somebody has to look at the base address, and nothing is lost meanwhile.
            _ when status is >= 500 or (>= 300 and < 400) => Unavailable(response, status),
            _ => new ServerAnswer.Refused(status, await IssueCodesAsync(response, cancellationToken)),
        };
    }

    private ServerAnswer.Unavailable Unavailable(HttpResponseMessage response, int status)
    {
        TimeSpan? after = response.Headers.RetryAfter switch
        {
            { Delta: { } delta } => delta,
            { Date: { } date } => date - time.GetUtcNow(),
            _ => null,
        };
        return new ServerAnswer.Unavailable($"http-{status}", after > TimeSpan.Zero ? after : null);
    }

    private static async Task<ServerAnswer> DocumentAsync(string type, HttpResponseMessage response, CancellationToken cancellationToken)
    {
        string body = await response.Content.ReadAsStringAsync(cancellationToken);
        return IsOf(type, body) ? new ServerAnswer.Document(body) : new ServerAnswer.Unavailable("answer-unreadable", null);
    }

    private static async Task<ServerAnswer> HeldAsync(string type, HttpResponseMessage response, CancellationToken cancellationToken)
    {
        string body = await response.Content.ReadAsStringAsync(cancellationToken);
        if (IdentityOf(type, body) is var (id, version))
        {
            return new ServerAnswer.Held(body, id, version);
        }

        // A server that answers without the resource says where it is.
        string[] location = (response.Headers.Location ?? response.Content.Headers.ContentLocation)?.ToString().Split('/') ?? [];
        int history = Array.LastIndexOf(location, "_history");
        return location.Length >= 2
            ? new ServerAnswer.Held(null, history > 0 ? location[history - 1] : location[^1], history > 0 ? location[^1] : null)
            : new ServerAnswer.Unavailable("answer-without-resource", null);
    }

    /// <summary>
    /// Id and version, without reading the rest: most answers are only asked for these. Null where it is not the resource that was asked
    /// for, such as an OperationOutcome, or the page of something that stands between.
    /// </summary>
    private static (string Id, string? Version)? IdentityOf(string type, string json)
    {
        try
        {
            using JsonDocument document = JsonDocument.Parse(json);
            JsonElement root = document.RootElement;
            return root.ValueKind == JsonValueKind.Object && root.TryGetProperty("resourceType", out JsonElement named) && named.ValueEquals(type)
                && root.TryGetProperty("id", out JsonElement id) && id.GetString() is { Length: > 0 } known
                ? (known, root.TryGetProperty("meta", out JsonElement meta) && meta.TryGetProperty("versionId", out JsonElement version) ? version.GetString() : null)
                : null;
        }
        catch (Exception problem) when (problem is JsonException or InvalidOperationException)
        {
            return null;
        }
    }

    private static bool IsOf(string type, string json)
    {
        try
        {
            using JsonDocument document = JsonDocument.Parse(json);
            return document.RootElement.ValueKind == JsonValueKind.Object
                && document.RootElement.TryGetProperty("resourceType", out JsonElement named) && named.ValueEquals(type);
        }
        catch (Exception problem) when (problem is JsonException or InvalidOperationException)
        {
            return false;
        }
    }

    internal static Resource? Parse(string json)
    {
        try
        {
            return Deserializer.DeserializeResource(json);
        }
        catch (Exception problem) when (problem is DeserializationFailedException or JsonException)
        {
            return null;
        }
    }

    private static async Task<string> IssueCodesAsync(HttpResponseMessage response, CancellationToken cancellationToken)
    {
        OperationOutcome? outcome = Parse(await response.Content.ReadAsStringAsync(cancellationToken)) as OperationOutcome;
        return outcome is null ? "" : string.Join(", ", outcome.Issue.Select(i => i.Code?.ToString() ?? "unknown").Distinct(StringComparer.Ordinal));
    }
}
