using System.Globalization;

namespace Titration.Worker.Reading;

/// <summary>What is done with what is read.</summary>
/// <param name="Sized">Told how many there will be at most, where the server says so.</param>
/// <param name="Page">Takes a page.</param>
/// <param name="Done">Everything changed before this instant has been read.</param>
internal sealed record WindowSink(Action<int> Sized, Func<SearchPage, CancellationToken, Task> Page, Func<DateTimeOffset, CancellationToken, Task> Done);

/// <summary>
/// Reads all resources of a type by windows of <c>_lastUpdated</c>, oldest first. A window that holds too much is halved, and the next one is twice as long: what
/// has to be read again after an interruption stays small, however the changes are spread.
/// </summary>
internal sealed class WindowReader(FhirSearch search)
{
    /// <summary>No FHIR server has anything older.</summary>
    public static readonly DateTimeOffset Beginning = new(2000, 1, 1, 0, 0, 0, TimeSpan.Zero);

    /// <summary>Resources in one window.</summary>
    private const int Most = 2_000;

    /// <summary>A server that imported everything at once gives it the same time: shorter windows would not help.</summary>
    private static readonly TimeSpan Shortest = TimeSpan.FromSeconds(1);

    /// <param name="type">The type.</param>
    /// <param name="from">Included.</param>
    /// <param name="until">Excluded.</param>
    /// <param name="pageSize">Resources asked for at once.</param>
    /// <param name="patience">How long a server is waited for that does not answer.</param>
    /// <param name="sink">Takes what is read.</param>
    /// <param name="cancellationToken">Ends it.</param>
    /// <exception cref="FhirSearchException">The server cannot be searched.</exception>
    public async Task ReadAsync(
        string type, DateTimeOffset from, DateTimeOffset until, int pageSize, TimeSpan patience, WindowSink sink, CancellationToken cancellationToken)
    {
        TimeSpan span = until - from;
        bool isSized = false;
        while (from < until)
        {
            DateTimeOffset to = span < until - from ? from + span : until;
            int? left = await ReadWindowAsync(type, from, to, pageSize, patience, sink, cancellationToken);
            if (!isSized && left is { } all)
            {
                sink.Sized(all);
            }

            isSized = true;
            if (left is > Most && to - from > Shortest)
            {
                span = (to - from) / 2;
                continue;
            }

            await sink.Done(to, cancellationToken);
            from = to;
            span *= 2;
        }
    }

    /// <returns>How many the window holds, as far as that is known; over <see cref="Most"/> it was not read, unless it is of the shortest.</returns>
    private async Task<int?> ReadWindowAsync(
        string type, DateTimeOffset from, DateTimeOffset to, int pageSize, TimeSpan patience, WindowSink sink, CancellationToken cancellationToken)
    {
        int read = 0;
        int? total = null;
        await foreach (SearchPage page in search.PagesAsync($"{type}?_lastUpdated=ge{Instant(from)}&_lastUpdated=lt{Instant(to)}&_count={pageSize}", patience, cancellationToken))
        {
            total ??= page.Total;
            read += page.Resources.Length;
            if ((total > Most || read > Most) && to - from > Shortest)
            {
                return Math.Max(total ?? 0, read);
            }

            await sink.Page(page, cancellationToken);
        }

        return total ?? read;
    }

    private static string Instant(DateTimeOffset instant) => instant.UtcDateTime.ToString("yyyy-MM-ddTHH:mm:ss.fffZ", CultureInfo.InvariantCulture);
}
