using System.Text.Json.Serialization;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Definitions;

/// <summary>How a finding is taken.</summary>
/// <param name="Finding">Which.</param>
/// <param name="Effect">What it does to the course.</param>
/// <param name="Priority">How soon somebody must look.</param>
/// <param name="ClearedBy">Whose later word ends it.</param>
/// <param name="Source">Where that is written.</param>
public sealed record FindingRule(FindingKind Finding, FindingEffect Effect, Priority Priority, ClearedBy ClearedBy, string Source);

/// <summary>What a standing finding does.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<FindingEffect>))]
public enum FindingEffect
{
    [JsonStringEnumMemberName("discontinue")] Discontinue,

    /// <summary>Discontinue where the jurisdiction contraindicates the ingredient, else an urgent review.</summary>
    [JsonStringEnumMemberName("by-jurisdiction")] ByJurisdiction,

    [JsonStringEnumMemberName("withhold")] Withhold,

    [JsonStringEnumMemberName("review")] Review,

    /// <summary>Takes the cautious ladder.</summary>
    [JsonStringEnumMemberName("cautious-ladder")] CautiousLadder,
}

/// <summary>Whose word ends a finding.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<ClearedBy>))]
public enum ClearedBy
{
    /// <summary>A clinician's <c>recovered</c> or "not there", dated later.</summary>
    [JsonStringEnumMemberName("clinician")] Clinician,

    /// <summary>A clinician's "not there" on the finding's own code; a general <c>recovered</c> says nothing of it.</summary>
    [JsonStringEnumMemberName("clinician-denial")] ClinicianDenial,

    /// <summary>A later <c>recovered</c> or "not there" from anyone.</summary>
    [JsonStringEnumMemberName("anyone")] Anyone,

    /// <summary>A later "not there" on its own code, from anyone.</summary>
    [JsonStringEnumMemberName("denial")] Denial,
}
