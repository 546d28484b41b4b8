using System.Buffers;
using Microsoft.AspNetCore.Http;
using Microsoft.AspNetCore.WebUtilities;
using Microsoft.Net.Http.Headers;

namespace Titration.Sandbox.Rest;

/// <summary>What is said about the body, and the body itself: JSON in UTF-8, of a size that is bounded.</summary>
internal static class Negotiation
{
    /// <exception cref="RefusedException">406: the client takes no FHIR R4 JSON. <c>_format</c> overrides <c>Accept</c>.</exception>
    public static void RefuseUnacceptable(HttpRequest request)
    {
        string? format = QueryHelpers.ParseQuery(request.QueryString.Value).TryGetValue("_format", out var values) ? values.ToString() : null;
        bool accepts = format switch
        {
            "json" => true,
            not null => MediaTypeHeaderValue.TryParse(format, out MediaTypeHeaderValue? type) && IsJson(type, ranges: false),
            null => AcceptHeaderAllows(request),
        };
        if (!accepts)
        {
            throw new RefusedException(406, new FhirIssue("not-supported", "Only FHIR 4.0 as application/fhir+json can be had here."));
        }
    }

    /// <exception cref="RefusedException">415: the body is not FHIR R4 JSON in UTF-8, or is compressed.</exception>
    public static void RefuseUnreadable(HttpRequest request)
    {
        bool isJson = MediaTypeHeaderValue.TryParse(request.ContentType, out MediaTypeHeaderValue? type) && IsJson(type, ranges: false);
        bool isUtf8 = type is { Charset.HasValue: false } || string.Equals(type?.Charset.ToString().Trim('"'), "utf-8", StringComparison.OrdinalIgnoreCase);
        bool isPlain = request.Headers.ContentEncoding is [] or ["identity"];
        if (!isJson || !isUtf8 || !isPlain)
        {
            throw new RefusedException(415, new FhirIssue("not-supported", "A body must be application/fhir+json in UTF-8, not compressed."));
        }
    }

    /// <exception cref="RefusedException">413: the body is longer than the limit. At most the limit is held in memory.</exception>
    public static async Task<ReadOnlyMemory<byte>> ReadBodyAsync(HttpRequest request, int limitBytes, CancellationToken cancellationToken)
    {
        if (request.ContentLength > limitBytes)
        {
            throw TooLarge(limitBytes);
        }

        ArrayBufferWriter<byte> body = new((int)(request.ContentLength ?? 4096) + 1);
        int read;
        while ((read = await request.Body.ReadAsync(body.GetMemory(), cancellationToken)) > 0)
        {
            body.Advance(read);
            if (body.WrittenCount > limitBytes)
            {
                throw TooLarge(limitBytes);
            }
        }

        return body.WrittenMemory;
    }

    private static RefusedException TooLarge(int limitBytes) =>
        new(413, new FhirIssue("too-long", $"A body may have at most {limitBytes} bytes."));

    private static bool AcceptHeaderAllows(HttpRequest request)
    {
        if (request.Headers.Accept.Count == 0)
        {
            return true;
        }

        return MediaTypeHeaderValue.TryParseList(request.Headers.Accept, out IList<MediaTypeHeaderValue>? types)
            && types.Any(type => type.Quality != 0 && IsJson(type, ranges: true));
    }

    private static bool IsJson(MediaTypeHeaderValue type, bool ranges)
    {
        bool matches = type.MediaType.Value?.ToLowerInvariant() switch
        {
            "application/fhir+json" or "application/json" => true,
            "application/*" or "*/*" => ranges,
            _ => false,
        };
        NameValueHeaderValue? version = type.Parameters.FirstOrDefault(p => p.Name.Equals("fhirVersion", StringComparison.OrdinalIgnoreCase));
        return matches && (version is null || version.Value.ToString().Trim('"') is "4.0" or "4.0.1");
    }
}
