using System.Globalization;
using System.Text.Json;
using Microsoft.AspNetCore.WebUtilities;
using Titration.Sandbox.Searching;
using Titration.Sandbox.Storing;

namespace Titration.Sandbox.Rest;

/// <summary>The Bundles the endpoint answers with.</summary>
internal static class AnswerBundle
{
    /// <summary>States a total only where one page holds everything; more is not counted.</summary>
    public static byte[] SearchSet(SearchQuery query, SearchPage page, string baseUrl) => FhirJson.Write(writer =>
    {
        Begin(writer, "searchset");
        if (query.After == 0 && page.Next is null)
        {
            writer.WriteNumber("total", page.Found.Count);
        }

        writer.WriteStartArray("link");
        WriteLink(writer, "self", query, query.After, baseUrl);
        if (page.Next is long next)
        {
            WriteLink(writer, "next", query, next, baseUrl);
        }

        writer.WriteEndArray();
        WriteEntries(writer, page.Found, version =>
        {
            WriteResource(writer, version, baseUrl);
            writer.WriteStartObject("search");
            writer.WriteString("mode", "match");
            writer.WriteEndObject();
        });
    });

    public static byte[] History(IReadOnlyList<StoredVersion> versions, string baseUrl) => FhirJson.Write(writer =>
    {
        Begin(writer, "history");
        writer.WriteNumber("total", versions.Count);
        WriteEntries(writer, versions, version =>
        {
            WriteResource(writer, version, baseUrl);
            writer.WriteStartObject("request");
            writer.WriteString("method", version.Posted ? "POST" : "PUT");
            writer.WriteString("url", version.Posted ? version.Type : version.Reference);
            writer.WriteEndObject();
            writer.WriteStartObject("response");
            writer.WriteString("status", StatusLine(version.Version == 1 ? 201 : 200));
            WriteVersion(writer, version);
            writer.WriteEndObject();
        });
    });

    /// <param name="type"><c>transaction-response</c> or <c>batch-response</c>.</param>
    /// <param name="answers">In the order of the entries; a refusal only in a batch.</param>
    public static byte[] Responses(string type, IReadOnlyList<EntryAnswer> answers, string baseUrl) => FhirJson.Write(writer =>
    {
        Begin(writer, type);
        WriteEntries(writer, answers, entry =>
        {
            FhirAnswer? given = entry.Given;
            if (entry.ShowsBody && given is { Body.IsEmpty: false })
            {
                writer.WritePropertyName("resource");
                writer.WriteRawValue(given.Body.Span, skipInputValidation: true);
            }

            writer.WriteStartObject("response");
            writer.WriteString("status", StatusLine(given?.Status ?? entry.Refused!.Status));
            if (given is { About: StoredVersion about })
            {
                if (given.SaysLocation)
                {
                    writer.WriteString("location", $"{baseUrl}/{about.VersionedReference}");
                }

                WriteVersion(writer, about);
            }

            if (entry.Refused is RefusedException refused)
            {
                writer.WritePropertyName("outcome");
                writer.WriteRawValue(FhirJson.Outcome(refused.Issues), skipInputValidation: true);
            }

            writer.WriteEndObject();
        });
    });

    private static void Begin(Utf8JsonWriter writer, string type)
    {
        writer.WriteString("resourceType", "Bundle");
        writer.WriteString("type", type);
    }

    // FHIR JSON has no empty arrays.
    private static void WriteEntries<T>(Utf8JsonWriter writer, IReadOnlyList<T> entries, Action<T> content)
    {
        if (entries.Count == 0)
        {
            return;
        }

        writer.WriteStartArray("entry");
        foreach (T entry in entries)
        {
            writer.WriteStartObject();
            content(entry);
            writer.WriteEndObject();
        }

        writer.WriteEndArray();
    }

    private static void WriteLink(Utf8JsonWriter writer, string relation, SearchQuery query, long after, string baseUrl)
    {
        string parameters = query.ToQueryString(after);
        writer.WriteStartObject();
        writer.WriteString("relation", relation);
        writer.WriteString("url", $"{baseUrl}/{query.Type}{(parameters.Length == 0 ? "" : "?")}{parameters}");
        writer.WriteEndObject();
    }

    private static void WriteResource(Utf8JsonWriter writer, StoredVersion version, string baseUrl)
    {
        writer.WriteString("fullUrl", $"{baseUrl}/{version.Reference}");
        writer.WritePropertyName("resource");
        writer.WriteRawValue(version.Body.Span, skipInputValidation: true);
    }

    private static void WriteVersion(Utf8JsonWriter writer, StoredVersion version)
    {
        writer.WriteString("etag", version.EntityTag);
        writer.WriteString("lastModified", version.LastUpdated.ToString("yyyy-MM-dd'T'HH:mm:ss.fff'Z'", CultureInfo.InvariantCulture));
    }

    private static string StatusLine(int status) => $"{status} {ReasonPhrases.GetReasonPhrase(status)}";
}

/// <summary>What one entry of a Bundle is answered with: one of the two.</summary>
/// <param name="ShowsBody">A GET shows what it read; a write only says where it is, to keep the answer small.</param>
internal sealed record EntryAnswer(FhirAnswer? Given, RefusedException? Refused, bool ShowsBody);
