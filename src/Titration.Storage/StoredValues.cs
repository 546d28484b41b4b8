using Microsoft.EntityFrameworkCore.Storage.ValueConversion;
using Titration.Protocol.Facts;

namespace Titration.Storage;

/// <summary>Instants as they are stored and hashed: UTC, cut to the millisecond.</summary>
public static class StoredInstant
{
    /// <summary>The last whole millisecond at or before the instant.</summary>
    public static DateTimeOffset Cut(this DateTimeOffset instant) =>
        new(instant.UtcTicks - (instant.UtcTicks % TimeSpan.TicksPerMillisecond), TimeSpan.Zero);
}

internal sealed class UtcMillisecondsConverter()
    : ValueConverter<DateTimeOffset, DateTimeOffset>(instant => instant.Cut(), stored => stored);

// SQLite has no instants, and EF neither orders nor compares a DateTimeOffset there.
internal sealed class UtcTicksConverter()
    : ValueConverter<DateTimeOffset, long>(instant => instant.Cut().UtcTicks, ticks => new DateTimeOffset(ticks, TimeSpan.Zero));

internal sealed class CodeConverter<T>() : ValueConverter<T, string>(value => value.Code(), code => Read(code))
    where T : struct, Enum
{
    private static T Read(string code) =>
        EnumCode.Parse<T>(code) ?? throw new InvalidOperationException($"The database holds a {typeof(T).Name} that this version does not know.");
}
