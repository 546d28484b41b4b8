using System.Text.Json.Serialization;

namespace Titration.Protocol.Facts;

/// <summary>
/// A circumstance somebody reports that bears on going on. What each one means for the course is the protocol's matter
/// (<c>findings</c>), not the code's.
/// </summary>
[JsonConverter(typeof(JsonStringEnumConverter<FindingKind>))]
public enum FindingKind
{
    [JsonStringEnumMemberName("breathing-difficulty")] BreathingDifficulty,
    [JsonStringEnumMemberName("facial-swelling")] FacialSwelling,
    [JsonStringEnumMemberName("hives")] Hives,
    [JsonStringEnumMemberName("vision-change")] VisionChange,
    [JsonStringEnumMemberName("blistering")] Blistering,
    [JsonStringEnumMemberName("suspected-allergy")] SuspectedAllergy,
    [JsonStringEnumMemberName("eye-involvement")] EyeInvolvement,
    [JsonStringEnumMemberName("skin-infection")] SkinInfection,
    [JsonStringEnumMemberName("pregnancy")] Pregnancy,
    [JsonStringEnumMemberName("planning-pregnancy")] PlanningPregnancy,
    [JsonStringEnumMemberName("breastfeeding")] Breastfeeding,
    [JsonStringEnumMemberName("sunburn")] Sunburn,
    [JsonStringEnumMemberName("eczema-flare")] EczemaFlare,
    [JsonStringEnumMemberName("broken-skin")] BrokenSkin,
    [JsonStringEnumMemberName("waxing")] Waxing,
    [JsonStringEnumMemberName("caution")] Caution,
}
