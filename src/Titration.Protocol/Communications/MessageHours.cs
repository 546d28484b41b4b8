using Titration.Protocol.Facts;

namespace Titration.Protocol.Communications;

/// <summary>When a message that is no safety message may reach a patient: in the clinic's time, and not too many a day.</summary>
/// <param name="QuietFrom">Local time from which nothing is sent; the same as <paramref name="QuietUntil"/>: there are no quiet hours.</param>
/// <param name="QuietUntil">Local time from which messages are sent again; it may be of the next day.</param>
/// <param name="MostPerDay">Messages in one local day, 1 or more.</param>
public sealed record MessageHours(TimeOnly QuietFrom, TimeOnly QuietUntil, int MostPerDay)
{
    /// <summary>When the next message may leave; null: now.</summary>
    /// <param name="now">Now.</param>
    /// <param name="zone">The clinic's time zone.</param>
    /// <param name="sentToday">Messages that left on this local day.</param>
    public DateTimeOffset? HeldUntil(DateTimeOffset now, TimeZoneInfo zone, int sentToday)
    {
        DateTimeOffset from = sentToday >= MostPerDay ? ClinicZone.StartOf(ClinicZone.DateOf(now, zone).AddDays(1), zone) : now;
        DateTimeOffset until = EndOfQuiet(from, zone);
        return until > now ? until : null;
    }

    private DateTimeOffset EndOfQuiet(DateTimeOffset at, TimeZoneInfo zone)
    {
        TimeOnly local = TimeOnly.FromDateTime(TimeZoneInfo.ConvertTime(at, zone).DateTime);
        if (QuietFrom == QuietUntil || !local.IsBetween(QuietFrom, QuietUntil))
        {
            return at;
        }

        DateOnly date = ClinicZone.DateOf(at, zone);
        return ClinicZone.At(local < QuietUntil ? date : date.AddDays(1), QuietUntil, zone);
    }
}
