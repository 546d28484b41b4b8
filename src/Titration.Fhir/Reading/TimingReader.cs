using System.Collections.Frozen;
using System.Globalization;
using Hl7.Fhir.Model;
using Titration.Protocol.Facts;
using static Hl7.Fhir.Model.Timing;

namespace Titration.Fhir.Reading;

/// <summary>How often, from a FHIR Timing. What can be meant in two ways is asked about, not guessed.</summary>
internal static class TimingReader
{
    private const int LongestPeriodDays = 366;
    private const int MostApplications = 100;

    /// <summary>Timing codes are the whole statement except for the bounds. AM is missing: a retinoid belongs to the night.</summary>
    private static readonly FrozenDictionary<string, Frequency> Abbreviations = new Dictionary<string, Frequency>(StringComparer.Ordinal)
    {
        ["QD"] = new(1, 1),
        ["BED"] = new(1, 1),
        ["PM"] = new(1, 1),
        ["QOD"] = new(1, 2),
        ["WK"] = new(1, 7),
        ["BID"] = new(2, 1),
        ["TID"] = new(3, 1),
        ["QID"] = new(4, 1),
        ["Q8H"] = new(3, 1),
        ["Q6H"] = new(4, 1),
        ["Q4H"] = new(6, 1),
        ["Q3H"] = new(8, 1),
        ["Q2H"] = new(12, 1),
        ["Q1H"] = new(24, 1),
    }.ToFrozenDictionary(StringComparer.Ordinal);

    private static readonly FrozenSet<EventTiming> NightMoments =
    [
        EventTiming.HS, EventTiming.NIGHT, EventTiming.EVE, EventTiming.EVE_early, EventTiming.EVE_late,
        EventTiming.CV, EventTiming.ACV, EventTiming.PCV,
    ];

    /// <summary>The frequency; null where it is not certain, or refused in <paramref name="remarks"/>.</summary>
    public static Frequency? Read(Timing? timing, string path, Remarks remarks)
    {
        if (timing is null || timing.EventElement.Count > 0)
        {
            return null;
        }

        Coding? abbreviation = timing.Code?.Coding.Find(c => c.System == Codes.Systems.TimingAbbreviation);
        bool structured = timing.Repeat is { } repeat && SaysHowOften(repeat);
        if (abbreviation is null)
        {
            return structured ? Read(timing.Repeat!, $"{path}.repeat", remarks) : null;
        }

        Frequency? coded = Abbreviations.TryGetValue(abbreviation.Code ?? "", out Frequency frequency) ? frequency : null;
        return !structured || Read(timing.Repeat!, $"{path}.repeat", remarks) == coded ? coded : null;
    }

    /// <summary>Anything beside the bounds.</summary>
    private static bool SaysHowOften(RepeatComponent repeat) =>
        repeat.Frequency is not null || repeat.Period is not null || repeat.WhenElement.Count > 0 || repeat.TimeOfDayElement.Count > 0
        || repeat.DayOfWeekElement.Count > 0 || HasWhatOneStepCannotSay(repeat);

    /// <summary>Ranges, a limited number of times, and short contact, which is not the same dose.</summary>
    private static bool HasWhatOneStepCannotSay(RepeatComponent repeat) =>
        repeat.Count is not null || repeat.CountMax is not null || repeat.Duration is not null || repeat.DurationMax is not null
        || repeat.FrequencyMax is not null || repeat.PeriodMax is not null;

    private static Frequency? Read(RepeatComponent repeat, string path, Remarks remarks)
    {
        if (repeat.Period is <= 0 or > 10_000)
        {
            remarks.Refuse($"{path}.period", "The period must be longer than nothing and at most a year.");
            return null;
        }

        if (repeat.Frequency is <= 0 or > MostApplications)
        {
            remarks.Refuse($"{path}.frequency", $"The frequency must be 1 to {MostApplications}.");
            return null;
        }

        return HasWhatOneStepCannotSay(repeat) || MomentsOf(repeat) is not { } moments ? null
            : repeat.DayOfWeekElement.Count > 0 ? OnDays(repeat, moments)
            : InPeriod(repeat, moments);
    }

    /// <summary>How many moments of the day are named; null where one is not at night or they contradict each other.</summary>
    private static int? MomentsOf(RepeatComponent repeat)
    {
        EventTiming?[] whens = [.. repeat.When];
        string[] times = [.. repeat.TimeOfDay.OfType<string>()];
        bool unclear = (whens.Length > 0 && times.Length > 0)
            || whens.Distinct().Count() < whens.Length || times.Distinct(StringComparer.Ordinal).Count() < times.Length
            || (whens is [var when] && (when is null || !NightMoments.Contains(when.Value)))
            || (times is [var time] && !IsAtNight(time));
        return unclear ? null : whens.Length + times.Length;
    }

    private static bool IsAtNight(string time) =>
        TimeOnly.TryParse(time, CultureInfo.InvariantCulture, out TimeOnly at) && (at.Hour >= 17 || at.Hour < 4);

    /// <summary>On named days of the week: so often on each, or so often in the week where that is one on each.</summary>
    private static Frequency? OnDays(RepeatComponent repeat, int moments)
    {
        int days = repeat.DayOfWeek.Distinct().Count();
        int perDay = repeat.Frequency ?? Math.Max(moments, 1);
        bool aDay = repeat.Period is null || (repeat.Period == 1 && repeat.PeriodUnit == UnitsOfTime.D);
        bool aWeek = repeat.Period == 1 && repeat.PeriodUnit == UnitsOfTime.Wk;
        return aDay && Agrees(perDay, moments, perDays: 1) ? new Frequency(perDay * days, 7)
            : aWeek && moments <= 1 && (repeat.Frequency ?? days) == days ? new Frequency(days, 7)
            : null;
    }

    private static Frequency? InPeriod(RepeatComponent repeat, int moments)
    {
        if (repeat.Period is not { } period)
        {
            // A moment without a period is every day's; a bare number of times is of nothing.
            return moments > 0 && (repeat.Frequency ?? moments) == moments ? new Frequency(moments, 1) : null;
        }

        int times = repeat.Frequency ?? Math.Max(moments, 1);
        (decimal applications, decimal days)? stated = repeat.PeriodUnit switch
        {
            UnitsOfTime.D => (times, period),
            UnitsOfTime.Wk => (times, period * 7),
            UnitsOfTime.H when period % 24 == 0 => (times, period / 24),
            UnitsOfTime.H when 24 % period == 0 => (times * (24 / period), 1),
            _ => null,
        };
        return stated is { } s && s.days <= LongestPeriodDays && s.applications <= MostApplications && Agrees(s.applications, moments, s.days)
            ? new Frequency(s.applications, s.days)
            : null;
    }

    /// <summary>One moment of the day allows one application a day; several stand for as many applications each day.</summary>
    private static bool Agrees(decimal applications, int moments, decimal perDays) => moments switch
    {
        0 => true,
        1 => applications <= perDays,
        _ => applications == moments * perDays,
    };
}
