using System.Text.Json;

namespace Titration.TestKit;

/// <summary>A row of <c>titration check --json</c>.</summary>
public sealed record CheckedRow(string Subject, string State, string Seen, string? Remedy)
{
    private static readonly JsonSerializerOptions Web = new(JsonSerializerDefaults.Web);

    public static IReadOnlyList<CheckedRow> Of(CommandOutput output) => JsonSerializer.Deserialize<List<CheckedRow>>(output.Output, Web)!;

    /// <summary>The table as far as it does not depend on machine and minute: subject and state of each row.</summary>
    public static string States(IEnumerable<CheckedRow> rows) => string.Join('\n', rows.Select(r => $"{r.Subject}: {r.State}"));
}
