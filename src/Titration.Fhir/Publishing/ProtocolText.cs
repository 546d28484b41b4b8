using Titration.Fhir.Writing;
using Titration.Protocol.Courses;
using Titration.Protocol.Definitions;

namespace Titration.Fhir.Publishing;

/// <summary>A protocol's numbers in words.</summary>
internal static class ProtocolText
{
    public static IEnumerable<string> Summary(ProtocolDefinition protocol) =>
    [
        Ladder("Standard ladder", protocol.StandardLadder),
        Ladder("Cautious ladder", protocol.CautiousLadder),
        StepUp(protocol),
        NewStrength(protocol.Strength),
        $"Gaps: from {protocol.Gaps.StepDownNights} nights without an application one step down, from {protocol.Gaps.RestartNights} the first step again.",
        Dose(protocol.Dose),
        .. protocol.Products.Select(Product),
    ];

    public static string Step(LadderStep step)
    {
        Step at = new(1, step.Frequency, step.GramsPerApplication, step.Barrier);
        (int applications, decimal days) = DosageWriter.Whole(step.Frequency);
        string often = (applications, days) == (1, 1) ? "every night" : $"{applications} in {FhirText.Number(days)} days";
        return $"{often}, {FhirText.Number(step.GramsPerApplication)} g per application, {FhirText.Number(decimal.Round(at.WeeklyGrams, 3))} g a week"
            + (step.Barrier ? ", with barrier support" : "");
    }

    public static string StepUp(ProtocolDefinition protocol)
    {
        StepUpGates gates = protocol.StepUp;
        return $"A step up needs at least {gates.MinimumApplications} reported applications on the step and {FhirText.Number(gates.MinimumExposure * 100)} % of those planned; "
            + $"a complete check-in {gates.EvidenceAfterDays} or more days after the step began and not older than {gates.EvidenceHoldsDays} days; "
            + $"no sign of 2 or more for {gates.DaysWithoutModerate} days; irritation not rising over {protocol.Severity.RisingCheckIns} check-ins; "
            + $"and at most {FhirText.Number(gates.MaximumWeeklyDoseRatio)} times the weekly active dose. Silence is never taken for tolerance.";
    }

    public static string Finding(FindingRule rule)
    {
        string effect = rule.Effect switch
        {
            FindingEffect.Discontinue => "Discontinue, and a clinician's review",
            FindingEffect.ByJurisdiction => "Discontinue where the jurisdiction contraindicates the ingredient, else an urgent review",
            FindingEffect.Withhold => "Withhold until it is over and a check-in has shown it",
            FindingEffect.Review => "A clinician's review",
            FindingEffect.CautiousLadder => "The cautious ladder",
        };
        string cleared = rule.ClearedBy switch
        {
            ClearedBy.Clinician => "a clinician's word",
            ClearedBy.ClinicianDenial => "a clinician's denial of this very finding",
            ClearedBy.Anyone => "anybody's later word",
            ClearedBy.Denial => "a later denial of this very finding",
        };
        return $"{effect}. It stands until {cleared}.";
    }

    private static string Ladder(string name, Ladder ladder) =>
        $"{name}, at least {ladder.MinimumDaysOnStep} full days on a step: {string.Join("; ", ladder.Steps.Select(Step))}.";

    private static string NewStrength(StrengthGates gates) =>
        $"A higher strength needs {gates.MinimumDays} days on the present one, the last {gates.ToleratedDays} at its top step and tolerated in {gates.ToleratedCheckIns} or more "
        + $"complete check-ins, and more effect wanted in the last {gates.EffectHoldsDays} days. From day {gates.EffectReviewDay} on a strength its effect is reviewed.";

    private static string Dose(DoseLimits dose) =>
        $"More than {FhirText.Number(dose.FaceMaximumGrams)} g per application to the face is asked about, never adopted silently."
        + (dose is { ProcedureDaysBefore: { } before, ProcedureDaysAfter: { } after }
            ? $" Nothing is applied from {before} days before a planned procedure to {after} days after it."
            : " No interval around procedures is set.");

    private static string Product(TitratedProduct product) =>
        $"{product.Ingredient} {string.Join(", ", product.StrengthsPercent.Select(FhirText.Number))} %, from {product.MinimumAgeYears} years; irritation is usually worst: {product.IrritationPeak}.";
}
