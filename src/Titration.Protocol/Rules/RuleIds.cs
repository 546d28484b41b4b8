namespace Titration.Protocol.Rules;

/// <summary>The rules' ids, as docs/protocol.md lists them. An id never changes meaning.</summary>
public static class RuleIds
{
    public const string StopFinding = "stop-finding";
    public const string EarlySevere = "early-severe-irritation";
    public const string PregnancyReview = "pregnancy-review";
    public const string ReviewFinding = "review-finding";
    public const string Severe = "severe-irritation";
    public const string HoldFinding = "hold-finding";
    public const string AnotherRetinoid = "another-retinoid";
    public const string Procedure = "planned-procedure";
    public const string LastingAtLowest = "lasting-at-lowest-step";
    public const string ClearedStop = "cleared-stop-finding";
    public const string OnHold = "order-on-hold";
    public const string Resume = "resume";
    public const string Declined = "declined";
    public const string GroundsGone = "grounds-gone";
    public const string Lasting = "lasting-moderate-irritation";
    public const string FreshModerate = "fresh-moderate-irritation";
    public const string Gap = "gap";
    public const string DoseOverMaximum = "dose-over-maximum";
    public const string DosageUncertain = "dosage-uncertain";
    public const string TiedVersions = "tied-versions";
    public const string MergedPatient = "merged-patient";
    public const string AgeUnderMinimum = "age-under-minimum";
    public const string AgeUnknown = "age-unknown";
    public const string OverUse = "over-use";
    public const string UnderUse = "under-use";
    public const string Supply = "supply";
    public const string Silence = "silence";
    public const string NotBegun = "not-begun";
    public const string Time = "time-on-step";
    public const string Exposure = "exposure";
    public const string Evidence = "evidence";
    public const string RecentModerate = "recent-moderate-irritation";
    public const string Rising = "rising-irritation";
    public const string AppliedWhileWithheld = "applied-while-withheld";
    public const string Interacting = "interacting-topical";
    public const string Order = "order";
    public const string Strength = "strength";
    public const string EffectReview = "effect-review";
    public const string SensitiveArea = "sensitive-area";
    public const string Unanswered = "unanswered";
}
