using System.Text.Json.Serialization;

namespace Titration.Protocol.Decisions;

/// <summary>
/// What should happen with a course, most cautious first: the numeric value is the rank, and the lowest rank among the
/// rules that spoke is the outcome.
/// </summary>
[JsonConverter(typeof(JsonStringEnumConverter<Outcome>))]
public enum Outcome
{
    [JsonStringEnumMemberName("Discontinue")] Discontinue = 1,
    [JsonStringEnumMemberName("Withhold")] Withhold = 2,
    [JsonStringEnumMemberName("StepDown")] StepDown = 3,
    [JsonStringEnumMemberName("RequestReview")] RequestReview = 4,
    [JsonStringEnumMemberName("AwaitCheckIn")] AwaitCheckIn = 5,
    [JsonStringEnumMemberName("Resume")] Resume = 6,
    [JsonStringEnumMemberName("Maintain")] Maintain = 7,
    [JsonStringEnumMemberName("StepUp")] StepUp = 8,
}

/// <summary>FHIR request-priority, the parts used here.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<Priority>))]
public enum Priority
{
    [JsonStringEnumMemberName("routine")] Routine,
    [JsonStringEnumMemberName("urgent")] Urgent,
    [JsonStringEnumMemberName("stat")] Stat,
}
