using System.Runtime.CompilerServices;
using Titration.Worker.Delivery;
using Titration.Worker.Hosting;

namespace Titration.Worker.Reading;

/// <summary>The FHIR server cannot be searched, now or at all.</summary>
/// <param name="problem">What it is, for whoever runs the command: codes and the base address, nothing of a patient.</param>
internal sealed class FhirSearchException(string problem) : Exception(problem);

/// <summary>Searches page by page, one request at a time, and as slowly as the server asks for.</summary>
internal sealed class FhirSearch(FhirServerClient server, FhirServerAddress address, TimeProvider time)
{
    private static readonly TimeSpan LongestPause = TimeSpan.FromMinutes(1);

    /// <summary>All pages of a search.</summary>
    /// <param name="query">Such as <c>Observation?_count=100</c>.</param>
    /// <param name="patience">How long a server is waited for that does not answer.</param>
    /// <param name="cancellationToken">Ends it.</param>
    /// <exception cref="FhirSearchException">It cannot be searched.</exception>
    public async IAsyncEnumerable<SearchPage> PagesAsync(string query, TimeSpan patience, [EnumeratorCancellation] CancellationToken cancellationToken)
    {
        string? next = query;
        while (next is not null)
        {
            SearchPage page = await PageAsync(next, patience, cancellationToken);
            yield return page;
            next = Checked(page.Next);
        }
    }

    private async Task<SearchPage> PageAsync(string query, TimeSpan patience, CancellationToken cancellationToken)
    {
        DateTimeOffset end = time.GetUtcNow() + patience;
        for (int attempt = 0; ; attempt++)
        {
            switch (await server.GetDocumentAsync("Bundle", query, cancellationToken))
            {
                case ServerAnswer.Document page:
                    return SearchPage.Of(page.Json);
                case ServerAnswer.Unavailable { RetryAfter: var asked } busy:
                    TimeSpan pause = asked ?? TimeSpan.FromSeconds(Math.Min(Math.Pow(2, attempt), LongestPause.TotalSeconds));
                    if (time.GetUtcNow() + pause > end)
                    {
                        throw new FhirSearchException($"the FHIR server cannot be searched now ({busy.Reason})");
                    }

                    await Task.Delay(pause, time, cancellationToken);
                    break;
                case ServerAnswer.Refused refused:
                    throw new FhirSearchException($"the FHIR server refuses the search {Words(query)} (HTTP {refused.Status} {refused.IssueCodes})");
                default:
                    throw new FhirSearchException($"the FHIR server knows no search {Words(query)} (HTTP 404)");
            }
        }
    }

    /// <summary>A link of the server's that leads elsewhere is not followed: a token goes to the base address and nowhere else.</summary>
    private string? Checked(string? next)
    {
        if (next is null || !Uri.TryCreate(address.Value, next, out Uri? leads) || address.Value.IsBaseOf(leads))
        {
            return next;
        }

        throw new FhirSearchException(
            $"the FHIR server's links lead to {leads.GetLeftPart(UriPartial.Authority)}, and not below {address.Value}; set Titration__FhirServer__BaseUrl to the base that it calls itself by");
    }

    // The first page's query is ours, and a further one is the server's, with whatever it puts there.
    private static string Words(string query) => query.Split('?')[0] is var type && Uri.TryCreate(type, UriKind.Absolute, out _) ? "that its own link asks for" : type;
}
