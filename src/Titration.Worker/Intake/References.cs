using System.Text;
using Titration.Fhir.Reading;
using Titration.Worker.Delivery;

namespace Titration.Worker.Intake;

/// <summary>What fetching a reference gave.</summary>
public abstract record Fetched
{
    private Fetched()
    {
    }

    public sealed record Found(byte[] Utf8) : Fetched;

    /// <summary>The server has no such resource.</summary>
    /// <param name="Gone">It had it, and it was deleted (410).</param>
    public sealed record Missing(bool Gone) : Fetched;

    /// <summary>The server will not give it: whether it is there nobody knows.</summary>
    /// <param name="Status">HTTP status.</param>
    public sealed record Refused(int Status) : Fetched;

    /// <summary>The server cannot be asked now.</summary>
    public sealed record Unreachable : Fetched;
}

/// <summary>Fetches from the clinic's FHIR server what a message only names. Always before the transaction.</summary>
public sealed class References(FhirServerClient server)
{
    /// <param name="reference"><c>Type/id</c>, with or without a version.</param>
    /// <param name="cancellationToken">Ends the wait.</param>
    public async Task<Fetched> FetchAsync(string reference, CancellationToken cancellationToken)
    {
        string[] parts = reference.Split('/');
        ServerAnswer answer = await server.ReadAsync(parts[0], string.Join('/', parts[1..]), cancellationToken);
        return answer switch
        {
            ServerAnswer.Held { Json: { } json } => new Fetched.Found(Encoding.UTF8.GetBytes(json)),
            ServerAnswer.Missing missing => new Fetched.Missing(missing.Gone),
            ServerAnswer.Refused refused => new Fetched.Refused(refused.Status),
            _ => new Fetched.Unreachable(),
        };
    }

    /// <summary>An id-only notification of one resource: what waits when only a reference is known.</summary>
    public static byte[] Notification(string type, string id)
    {
        string reference = $"{type}/{id}";
        return System.Text.Json.JsonSerializer.SerializeToUtf8Bytes(new
        {
            resourceType = "Bundle",
            type = "history",
            entry = new[] { new { fullUrl = reference, request = new { method = "GET", url = reference }, response = new { status = "200" } } },
        });
    }

    /// <summary>A deletion as a message of its own, with its date: it keeps it however late it is read again.</summary>
    public static byte[] Deletion(ResourceHeader header, DateTimeOffset heardAt)
    {
        string reference = $"{header.Type}/{header.Id}";
        return System.Text.Json.JsonSerializer.SerializeToUtf8Bytes(new
        {
            resourceType = "Bundle",
            type = "history",
            entry = new[]
            {
                new
                {
                    fullUrl = reference,
                    request = new { method = "DELETE", url = reference },
                    response = new
                    {
                        status = "204",
                        etag = header.VersionId is null ? null : $"W/\"{header.VersionId}\"",
                        lastModified = (header.LastUpdated ?? heardAt).ToUniversalTime().ToString("yyyy-MM-ddTHH:mm:ss.fffZ"),
                    },
                },
            },
        });
    }
}
