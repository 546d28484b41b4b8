using System.Text.Json.Serialization;

namespace Titration.Protocol.Facts;

/// <summary>
/// A sign of local irritation. The first four are rated in the labels' local tolerability scales
/// (tretinoin microsphere prescribing information) and make a check-in complete; itch is welcome, not required.
/// </summary>
[JsonConverter(typeof(JsonStringEnumConverter<Sign>))]
public enum Sign
{
    [JsonStringEnumMemberName("erythema")] Erythema,
    [JsonStringEnumMemberName("scaling")] Scaling,
    [JsonStringEnumMemberName("dryness")] Dryness,
    [JsonStringEnumMemberName("burning")] Burning,
    [JsonStringEnumMemberName("pruritus")] Pruritus,
}

/// <summary>The four-point local tolerability grade (scale: tretinoin microsphere prescribing information).</summary>
[JsonConverter(typeof(JsonStringEnumConverter<Grade>))]
public enum Grade
{
    [JsonStringEnumMemberName("none")] None = 0,
    [JsonStringEnumMemberName("mild")] Mild = 1,
    [JsonStringEnumMemberName("moderate")] Moderate = 2,
    [JsonStringEnumMemberName("severe")] Severe = 3,
}

/// <summary>What the patient or clinician says of the treatment's effect.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<Effect>))]
public enum Effect
{
    [JsonStringEnumMemberName("enough")] Enough,
    [JsonStringEnumMemberName("more-wanted")] MoreWanted,
    [JsonStringEnumMemberName("none-seen")] NoneSeen,
}
