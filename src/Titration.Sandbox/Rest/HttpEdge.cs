using System.Globalization;
using System.Text.Json;
using Microsoft.AspNetCore.Http;
using Microsoft.Extensions.Logging;
using Titration.Sandbox.Storing;

namespace Titration.Sandbox.Rest;

/// <summary>Between HTTP and the interactions: headers in, headers out, and an OperationOutcome for whatever goes wrong.</summary>
/// <param name="prefix">The path of the base, without a slash at the end.</param>
internal sealed partial class HttpEdge(Interactions interactions, BundleInteraction bundles, string prefix, int bodyLimitBytes, ILogger logger)
{
    public async Task HandleAsync(HttpContext http)
    {
        string baseUrl = $"{http.Request.Scheme}://{http.Request.Host}{http.Request.PathBase}{prefix}";
        FhirAnswer answer;
        try
        {
            answer = await AnswerAsync(http, baseUrl);
        }
        catch (RefusedException refused)
        {
            answer = FhirAnswer.Of(refused);
        }
        catch (BadHttpRequestException broken)
        {
            answer = FhirAnswer.Of(new RefusedException(broken.StatusCode, new FhirIssue("structure", "The request is broken off, or breaks the rules of HTTP.")));
        }
        catch (Exception defect) when (!http.RequestAborted.IsCancellationRequested)
        {
            // Without the message of the exception, which may quote a resource.
            LogDefect(defect.GetType().FullName, defect.StackTrace);
            answer = FhirAnswer.Of(new RefusedException(500, new FhirIssue("exception", "The sandbox failed; its log says where.")));
        }

        await WriteAsync(http, answer, baseUrl);
    }

    private async Task<FhirAnswer> AnswerAsync(HttpContext http, string baseUrl)
    {
        HttpRequest from = http.Request;
        Negotiation.RefuseUnacceptable(from);
        FhirRequest request = new(from.Method, from.Path.Value![prefix.Length..], from.QueryString.Value ?? "", baseUrl)
        {
            IfMatch = Single(from, "If-Match"),
            IfNoneMatch = from.Headers.IfNoneMatch is [] ? null : from.Headers.IfNoneMatch.ToString(),
            IfNoneExist = Single(from, "If-None-Exist"),
        };
        Interactions.RefuseUnsupported(request);
        if (request.Method == "GET")
        {
            return interactions.Answer(request);
        }

        Negotiation.RefuseUnreadable(from);
        using JsonDocument body = FhirJson.Parse(await Negotiation.ReadBodyAsync(from, bodyLimitBytes, http.RequestAborted));
        request = request with { Body = body.RootElement };
        return request.Segments is [] ? bundles.Answer(request) : interactions.Answer(request);
    }

    private static async Task WriteAsync(HttpContext http, FhirAnswer answer, string baseUrl)
    {
        HttpResponse response = http.Response;
        response.StatusCode = answer.Status;
        if (answer.About is StoredVersion about)
        {
            response.Headers.ETag = about.EntityTag;
            response.Headers.LastModified = about.LastUpdated.ToString("R", CultureInfo.InvariantCulture);
            if (answer.SaysLocation)
            {
                response.Headers.Location = $"{baseUrl}/{about.VersionedReference}";
            }
        }

        if (!answer.Allowed.IsEmpty)
        {
            response.Headers.Allow = string.Join(", ", answer.Allowed);
        }

        if (!answer.Body.IsEmpty)
        {
            response.ContentType = "application/fhir+json; charset=utf-8";
            response.ContentLength = answer.Body.Length;
            if (!HttpMethods.IsHead(http.Request.Method))
            {
                await response.Body.WriteAsync(answer.Body, http.RequestAborted);
            }
        }
    }

    private static string? Single(HttpRequest request, string name) => request.Headers[name] switch
    {
        [] => null,
        [string value] => value,
        _ => throw RefusedException.BadRequest("value", $"{name} may be sent once."),
    };

    [LoggerMessage(EventId = 7001, Level = LogLevel.Error, Message = "The embedded FHIR endpoint failed with {ExceptionType} at {StackTrace}")]
    private partial void LogDefect(string? exceptionType, string? stackTrace);
}
