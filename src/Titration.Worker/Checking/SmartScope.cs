using System.Collections.Immutable;

namespace Titration.Worker.Checking;

/// <summary>A scope of SMART App Launch: version 2 (<c>system/Task.crus</c>) or 1 (<c>system/Task.read</c>).</summary>
/// <param name="Type">A resource type; <c>*</c>: all.</param>
/// <param name="Letters">Of c, r, u, d and s.</param>
internal sealed record SmartScope(string Type, ImmutableHashSet<char> Letters)
{
    /// <summary>The parts of what is needed that were not granted, each as a scope.</summary>
    /// <param name="needed">Separated by blanks.</param>
    /// <param name="granted">Separated by blanks.</param>
    public static ImmutableArray<string> Missing(string needed, string granted)
    {
        ImmutableArray<SmartScope> given = [.. Parse(granted)];
        return
        [
            .. from need in Parse(needed)
               let letters = string.Concat("cruds".Where(l => need.Letters.Contains(l) && !given.Any(g => (g.Type == "*" || g.Type == need.Type) && g.Letters.Contains(l))))
               where letters.Length > 0
               select $"system/{need.Type}.{letters}",
        ];
    }

    // One that is narrowed by a query grants only a part, and counts as nothing.
    private static IEnumerable<SmartScope> Parse(string scopes) => scopes.Split(' ', StringSplitOptions.RemoveEmptyEntries)
        .Where(s => s.StartsWith("system/", StringComparison.Ordinal) && s.Contains('.') && !s.Contains('?'))
        .Select(s => s["system/".Length..].Split('.', 2))
        .Select(parts => new SmartScope(parts[0], [.. parts[1] switch { "read" => "rs", "write" => "cud", "*" => "cruds", var letters => letters }]));
}
