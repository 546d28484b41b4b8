using System.Collections.Frozen;
using System.Reflection;
using System.Text.Json.Serialization;

namespace Titration.Protocol.Facts;

/// <summary>
/// The written-down code of an enum value: what is stored, sent and read. It is the value's
/// <see cref="JsonStringEnumMemberNameAttribute"/>, so a renamed member keeps its code.
/// </summary>
public static class EnumCode
{
    /// <summary>The code of <paramref name="value"/>, such as <c>facial-swelling</c>.</summary>
    public static string Code<T>(this T value) where T : struct, Enum => Table<T>.Codes[value];

    /// <summary>The value with this code, or null where there is none: codes from outside are refused, never guessed.</summary>
    public static T? Parse<T>(string? code) where T : struct, Enum =>
        code is not null && Table<T>.Values.TryGetValue(code, out T value) ? value : null;

    private static class Table<T> where T : struct, Enum
    {
        public static readonly FrozenDictionary<T, string> Codes = Enum.GetValues<T>().ToFrozenDictionary(
            value => value,
            value => typeof(T).GetField(value.ToString())!.GetCustomAttribute<JsonStringEnumMemberNameAttribute>()?.Name
                ?? throw new InvalidOperationException($"{typeof(T).Name}.{value} has no written-down code."));

        public static readonly FrozenDictionary<string, T> Values = Codes.ToFrozenDictionary(pair => pair.Value, pair => pair.Key, StringComparer.Ordinal);
    }
}
