using System.Collections.Immutable;
using System.Globalization;
using Titration.Protocol.Communications;

namespace Titration.Worker.Configuration;

/// <summary>Reads the clinic's calendar from the settings.</summary>
internal static class CalendarReading
{
    /// <returns>Null, and every problem in <paramref name="problems"/>, where something is no day.</returns>
    public static ClinicCalendar? Of(ClinicOptions options, ICollection<string> problems)
    {
        int before = problems.Count;
        ImmutableHashSet<DayOfWeek> weekdays = Read<DayOfWeek>(
            options.ClosedWeekdays, text => Enum.TryParse(text, ignoreCase: true, out DayOfWeek day) && !char.IsAsciiDigit(text[0]) ? day : null,
            "Titration:Clinic:ClosedWeekdays", "is no day of the week, such as Saturday", problems);
        ImmutableHashSet<DateOnly> dates = Read<DateOnly>(
            options.ClosedDates, text => DateOnly.TryParseExact(text, "yyyy-MM-dd", CultureInfo.InvariantCulture, DateTimeStyles.None, out DateOnly date) ? date : null,
            "Titration:Clinic:ClosedDates", "is no date, such as 2026-12-25", problems);
        if (weekdays.Count == Enum.GetValues<DayOfWeek>().Length)
        {
            problems.Add("Titration:Clinic:ClosedWeekdays: names every day of the week; leave one open");
        }

        return problems.Count == before ? new ClinicCalendar(weekdays, dates) : null;
    }

    private static ImmutableHashSet<T> Read<T>(string list, Func<string, T?> read, string setting, string problem, ICollection<string> problems)
        where T : struct
    {
        ImmutableHashSet<T>.Builder found = ImmutableHashSet.CreateBuilder<T>();
        foreach (string text in list.Split(',', StringSplitOptions.TrimEntries | StringSplitOptions.RemoveEmptyEntries))
        {
            if (read(text) is { } value)
            {
                found.Add(value);
            }
            else
            {
                problems.Add($"{setting}: \"{text}\" {problem}");
            }
        }

        return found.ToImmutable();
    }
}
