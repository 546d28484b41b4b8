using System.Collections.Immutable;
using System.Text.Json.Serialization;

namespace Titration.Worker.Checking;

/// <summary>How one thing stands that the service needs.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<CheckState>))]
public enum CheckState
{
    [JsonStringEnumMemberName("ok")] Ok,

    /// <summary>It works, and somebody should know.</summary>
    [JsonStringEnumMemberName("warning")] Warning,

    /// <summary>The service cannot work like this.</summary>
    [JsonStringEnumMemberName("wrong")] Wrong,

    /// <summary>It could not be looked at.</summary>
    [JsonStringEnumMemberName("not checked")] NotChecked,
}

/// <summary>A row of the table.</summary>
/// <param name="Subject">What was looked at.</param>
/// <param name="State">How it stands.</param>
/// <param name="Seen">What was seen; never a secret and nothing of a patient.</param>
/// <param name="Remedy">What to do; null where there is nothing to do.</param>
public sealed record CheckRow(string Subject, CheckState State, string Seen, string? Remedy = null)
{
    public static CheckRow Ok(string subject, string seen) => new(subject, CheckState.Ok, seen);

    public static CheckRow Warning(string subject, string seen, string remedy) => new(subject, CheckState.Warning, seen, remedy);

    public static CheckRow Wrong(string subject, string seen, string remedy) => new(subject, CheckState.Wrong, seen, remedy);

    public static CheckRow NotChecked(string subject, string why, string? remedy = null) => new(subject, CheckState.NotChecked, why, remedy);

    /// <summary>Rows that need something which is not there.</summary>
    public static ImmutableArray<CheckRow> Unseen(string why, params ReadOnlySpan<string> subjects)
    {
        ImmutableArray<CheckRow>.Builder rows = ImmutableArray.CreateBuilder<CheckRow>(subjects.Length);
        foreach (string subject in subjects)
        {
            rows.Add(NotChecked(subject, why));
        }

        return rows.MoveToImmutable();
    }
}
