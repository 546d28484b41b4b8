using System.Text.Json.Serialization;

namespace Titration.Storage.Model;

/// <summary>What leaves for the FHIR server. Facts are taken in and decisions made and recorded in each.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<OperatingMode>))]
public enum OperatingMode
{
    /// <summary>Nothing: to see what would be proposed.</summary>
    [JsonStringEnumMemberName("shadow")] Shadow,

    /// <summary>Everything.</summary>
    [JsonStringEnumMemberName("live")] Live,

    /// <summary>Safety referrals and withdrawals only.</summary>
    [JsonStringEnumMemberName("paused")] Paused,
}

/// <summary>That somebody chose a mode. The newest counts. Append only.</summary>
public sealed class ModeChangeRow
{
    public long Id { get; init; }

    public required OperatingMode Mode { get; init; }

    public required DateTimeOffset At { get; init; }

    /// <summary>Who: a name of a member of staff, or <c>settings</c> at the first start.</summary>
    public required string By { get; init; }

    /// <summary>Why; null: nobody said.</summary>
    public string? Reason { get; init; }
}
