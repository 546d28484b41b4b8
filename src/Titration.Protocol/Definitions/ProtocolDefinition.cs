using System.Collections.Immutable;
using System.Text.Json.Serialization;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Definitions;

/// <summary>
/// A clinic's titration protocol: every number, ladder, product and finding that the rules use, as the clinic wrote it down.
/// Immutable; a change is a new version.
/// </summary>
public sealed record ProtocolDefinition
{
    /// <summary>Where an editor finds the JSON Schema; no rule reads it.</summary>
    [JsonPropertyName("$schema")]
    public string? Schema { get; init; }

    /// <summary>Machine name, lower case with hyphens; part of the PlanDefinition's canonical URL.</summary>
    public required string Name { get; init; }

    /// <summary>Version of this text, such as 1.0.0.</summary>
    public required string Version { get; init; }

    public required string Title { get; init; }

    public required Approval Approval { get; init; }

    /// <summary>Which of <see cref="Jurisdictions"/> applies.</summary>
    public required string Jurisdiction { get; init; }

    public required ImmutableArray<JurisdictionProfile> Jurisdictions { get; init; }

    /// <summary>The ladder of most patients.</summary>
    public required Ladder StandardLadder { get; init; }

    /// <summary>The ladder of first-time, anxious, dry or previously irritated skin: those with a standing <c>caution</c>.</summary>
    public required Ladder CautiousLadder { get; init; }

    public required StepUpGates StepUp { get; init; }

    public required CheckInSchedule CheckIns { get; init; }

    public required SeverityLimits Severity { get; init; }

    public required StrengthGates Strength { get; init; }

    public required GapLimits Gaps { get; init; }

    public required SupplyLimits Supply { get; init; }

    public required DoseLimits Dose { get; init; }

    public required TaskDeadlines Deadlines { get; init; }

    public required ImmutableArray<FindingRule> Findings { get; init; }

    public required ImmutableArray<TitratedProduct> Products { get; init; }

    public required ImmutableArray<OtherProduct> OtherRetinoids { get; init; }

    public required ImmutableArray<OtherProduct> InteractingTopicals { get; init; }

    /// <summary>Whether the stop-and-wait message of an urgent finding goes to the patient before anyone approved it.</summary>
    public required bool FixedPatientMessages { get; init; }

    public Ladder LadderFor(bool cautious) => cautious ? CautiousLadder : StandardLadder;

    public TitratedProduct? ProductOf(string ingredient)
    {
        foreach (TitratedProduct product in Products)
        {
            if (product.Ingredient == ingredient)
            {
                return product;
            }
        }

        return null;
    }
}

/// <summary>When an approved proposal takes effect.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<Approval>))]
public enum Approval
{
    /// <summary>With the Task approved and a matching prescription active: the prescription is the truth about treatment.</summary>
    [JsonStringEnumMemberName("prescription")] Prescription,

    /// <summary>With the Task approved.</summary>
    [JsonStringEnumMemberName("task")] Task,
}

/// <summary>What one region's labels say of pregnancy.</summary>
/// <param name="Code">Such as <c>uk-eu</c>.</param>
/// <param name="ContraindicatedInPregnancy">Ingredients that must stop; the rest go to review.</param>
/// <param name="Sources">Where it is written.</param>
public sealed record JurisdictionProfile(string Code, ImmutableArray<string> ContraindicatedInPregnancy, ImmutableArray<string> Sources);

/// <summary>The steps of one strength, gentlest first; the same for every strength of a product.</summary>
/// <param name="MinimumDaysOnStep">Full days on a step before the next may be proposed, withheld nights not counted.</param>
public sealed record Ladder(int MinimumDaysOnStep, ImmutableArray<LadderStep> Steps);

/// <summary>One step of a ladder, without the strength.</summary>
/// <param name="Name">What the clinic calls it.</param>
/// <param name="Nights">Applications within <paramref name="EveryDays"/> days.</param>
/// <param name="EveryDays">Days in the period.</param>
/// <param name="GramsPerApplication">Grams of product per application.</param>
/// <param name="Barrier">Moisturiser before and after.</param>
public sealed record LadderStep(string Name, decimal Nights, decimal EveryDays, decimal GramsPerApplication, bool Barrier)
{
    [JsonIgnore]
    public Frequency Frequency { get; } = new(Nights, EveryDays);
}

/// <summary>What must be so before more is proposed.</summary>
public sealed record StepUpGates
{
    /// <summary>Applications on the step, at least.</summary>
    public required int MinimumApplications { get; init; }

    /// <summary>Applied of planned over the reported nights, at least; 0 to 1.</summary>
    public required decimal MinimumExposure { get; init; }

    /// <summary>Days after the step began before a good report proves anything: irritation lags.</summary>
    public required int EvidenceAfterDays { get; init; }

    /// <summary>Days for which a good report holds.</summary>
    public required int EvidenceHoldsDays { get; init; }

    /// <summary>Days without a sign of 2 or more.</summary>
    public required int DaysWithoutModerate { get; init; }

    /// <summary>Weekly active dose of the next step over that of the present prescription, at most; exactly this much is allowed.</summary>
    public required decimal MaximumWeeklyDoseRatio { get; init; }

    /// <summary>Whether nights nobody reported count as applied as planned. The record then says "assumed".</summary>
    public required bool CountUnreportedNights { get; init; }
}

/// <summary>When check-ins are due, in days.</summary>
public sealed record CheckInSchedule
{
    public required int EveryDays { get; init; }

    public required int AfterModerateDays { get; init; }

    /// <summary>Once the top step has been tolerated for <see cref="StrengthGates.ToleratedDays"/>.</summary>
    public required int AtTopStepEveryDays { get; init; }

    /// <summary>From the due date to the second request.</summary>
    public required int SecondRequestAfterDays { get; init; }

    /// <summary>From the due date to the task for the clinic.</summary>
    public required int ClinicTaskAfterDays { get; init; }
}

/// <summary>Limits of irritation.</summary>
public sealed record SeverityLimits
{
    /// <summary>A 2 lasts when another was dated this many days before it, or more.</summary>
    public required int LastingDays { get; init; }

    /// <summary>Complete check-ins over which the sum of the required signs must go up to count as rising.</summary>
    public required int RisingCheckIns { get; init; }

    /// <summary>A grade 3 up to this day of the course, inclusive, is a stop finding.</summary>
    public required int EarlySevereDays { get; init; }

    /// <summary>After a grade 3, a check-in proves recovery from this many days on.</summary>
    public required int RecoveryAfterSevereDays { get; init; }

    /// <summary>Days after a course's end in which a stop finding or a grade 3 still raises a referral.</summary>
    public required int AfterEndDays { get; init; }

    /// <summary>Days from a new interacting topical to the next possible step up.</summary>
    public required int InteractingDays { get; init; }
}

/// <summary>What must be so before a higher strength is proposed.</summary>
public sealed record StrengthGates
{
    public required int MinimumDays { get; init; }

    /// <summary>Days at the top step, tolerated, before it.</summary>
    public required int ToleratedDays { get; init; }

    /// <summary>Complete check-ins in those days, at least.</summary>
    public required int ToleratedCheckIns { get; init; }

    /// <summary>Days for which a word on the effect holds.</summary>
    public required int EffectHoldsDays { get; init; }

    /// <summary>Day on the strength from which a review of effect is asked for.</summary>
    public required int EffectReviewDay { get; init; }
}

/// <summary>Consecutive nights without an application.</summary>
public sealed record GapLimits
{
    /// <summary>From this many nights on: one step down.</summary>
    public required int StepDownNights { get; init; }

    /// <summary>From this many nights on: the first step again.</summary>
    public required int RestartNights { get; init; }

    /// <summary>An order active again after more nights on hold than this begins its step anew.</summary>
    public required int HoldNightsKeepingStep { get; init; }
}

/// <summary>Supply and use.</summary>
public sealed record SupplyLimits
{
    public required int ReminderDaysBefore { get; init; }

    /// <summary>Applied over planned above which the use is questioned.</summary>
    public required decimal OverUse { get; init; }

    /// <summary>Applied over planned below which it is noted.</summary>
    public required decimal UnderUse { get; init; }
}

/// <summary>Limits of a prescription.</summary>
public sealed record DoseLimits
{
    /// <summary>Grams per application to the face, at most: more is asked about, never adopted silently.</summary>
    public required decimal FaceMaximumGrams { get; init; }

    /// <summary>Grams of one fingertip unit, for prescriptions written in fingertip units.</summary>
    public required decimal FingertipUnitGrams { get; init; }

    /// <summary>Days before and after a planned procedure in which nothing is applied; null: the clinic has set none.</summary>
    public required int? ProcedureDaysBefore { get; init; }

    public required int? ProcedureDaysAfter { get; init; }
}

/// <summary>Days in which a task is due, by what it is about.</summary>
public sealed record TaskDeadlines
{
    public required int UrgentDays { get; init; }

    public required int WithholdRoutineDays { get; init; }

    public required int StepChangeDownDays { get; init; }

    public required int StepChangeUpDays { get; init; }

    public required int ReviewDays { get; init; }

    /// <summary>Days for which a rejected proposal is not made again.</summary>
    public required int RejectionDays { get; init; }

    /// <summary>Hours in which a stat task is due.</summary>
    public required int StatHours { get; init; }

    /// <summary>Hours after its due time at which an unanswered stat task is the clinic's pool's. At the due time the prescriber is reminded.</summary>
    public required int PoolAfterStatHours { get; init; }

    /// <inheritdoc cref="PoolAfterStatHours"/>
    public required int PoolAfterUrgentHours { get; init; }

    /// <summary>Days after its due time at which an unanswered routine task is the clinic's pool's.</summary>
    public required int PoolAfterRoutineDays { get; init; }

    /// <summary>Days from one digest of what the pool has not answered to the next.</summary>
    public required int DigestEveryDays { get; init; }
}
