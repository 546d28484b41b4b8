using System.Globalization;

namespace Titration.Sandbox.Searching;

/// <summary>A FHIR date or instant as the stretch of time it names: a day is all of that day. Without a zone it is UTC.</summary>
internal static class SearchDate
{
    private static readonly (string Format, Func<DateTimeOffset, DateTimeOffset> End)[] Precisions =
    [
        ("yyyy", t => t.AddYears(1)),
        ("yyyy-MM", t => t.AddMonths(1)),
        ("yyyy-MM-dd", t => t.AddDays(1)),
        ("yyyy-MM-dd'T'HH:mmK", t => t.AddMinutes(1)),
        ("yyyy-MM-dd'T'HH:mm:ssK", t => t.AddSeconds(1)),
        ("yyyy-MM-dd'T'HH:mm:ss.FFFFFFFK", t => t.AddTicks(1)),
    ];

    /// <summary>The first millisecond of the stretch and the first after it, in Unix time; null if the text is no date.</summary>
    public static (long From, long Before)? Parse(string text)
    {
        foreach ((string format, Func<DateTimeOffset, DateTimeOffset> end) in Precisions)
        {
            if (DateTimeOffset.TryParseExact(text, format, CultureInfo.InvariantCulture, DateTimeStyles.AssumeUniversal, out DateTimeOffset start)
                && start.UtcDateTime.Year < DateTime.MaxValue.Year)
            {
                return (CeilingMilliseconds(start), CeilingMilliseconds(end(start)));
            }
        }

        return null;
    }

    // What is stored has whole milliseconds, so the first one at or after an instant is where a comparison with that instant changes.
    private static long CeilingMilliseconds(DateTimeOffset instant) =>
        (long)Math.Ceiling((instant - DateTimeOffset.UnixEpoch).Ticks / (decimal)TimeSpan.TicksPerMillisecond);
}
