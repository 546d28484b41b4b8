using Hl7.Fhir.Model;
using Titration.Fhir.Writing;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Publishing;

/// <summary>A protocol as the actions of a PlanDefinition.</summary>
internal static class PlanActions
{
    public static IEnumerable<PlanDefinition.ActionComponent> Of(ProtocolDefinition protocol) =>
    [
        Ladder("standard-ladder", "Standard ladder", protocol.StandardLadder),
        Ladder("cautious-ladder", "Cautious ladder", protocol.CautiousLadder),
        CheckIn(protocol),
        Silence(protocol),
        StepChange(protocol),
        Moderate(protocol),
        Severe(protocol),
        .. protocol.Findings.Select(rule => Finding(protocol, rule)),
        Review(protocol),
        EffectReview(protocol),
        Repeat(protocol),
    ];

    private static PlanDefinition.ActionComponent Ladder(string id, string title, Ladder ladder) => new()
    {
        ElementId = id,
        Title = title,
        Description = $"Gentlest step first, at least {ladder.MinimumDaysOnStep} full days on each.",
        GroupingBehavior = ActionGroupingBehavior.LogicalGroup,
        SelectionBehavior = ActionSelectionBehavior.AtMostOne,
        Action =
        [
            .. ladder.Steps.Select((step, index) => new PlanDefinition.ActionComponent
            {
                ElementId = $"{id}-{index + 1}",
                Prefix = $"{index + 1}",
                Title = FhirText.Clean(step.Name),
                Description = ProtocolText.Step(step),
                RelatedAction = index == 0
                    ? []
                    :
                    [
                        new PlanDefinition.RelatedActionComponent
                        {
                            ActionId = $"{id}-{index}",
                            Relationship = ActionRelationshipType.AfterStart,
                            Offset = Days(ladder.MinimumDaysOnStep),
                        },
                    ],
            }),
        ],
    };

    private static PlanDefinition.ActionComponent CheckIn(ProtocolDefinition protocol)
    {
        CheckInSchedule schedule = protocol.CheckIns;
        PlanDefinition.ActionComponent action = Act(
            protocol, "check-in", CommunicationKind.CheckInRequest,
            $"Due {schedule.EveryDays} days after the newest complete check-in, {schedule.AfterModerateDays} days after fresh moderate irritation, and every "
            + $"{schedule.AtTopStepEveryDays} days once the top step has been tolerated; asked again {schedule.SecondRequestAfterDays} days after it was due.");
        action.Trigger.Add(new TriggerDefinition
        {
            Type = TriggerDefinition.TriggerType.Periodic,
            Timing = new Timing { Repeat = new Timing.RepeatComponent { Frequency = 1, Period = schedule.EveryDays, PeriodUnit = Timing.UnitsOfTime.D } },
        });
        return action;
    }

    private static PlanDefinition.ActionComponent Silence(ProtocolDefinition protocol)
    {
        PlanDefinition.ActionComponent action = Act(
            protocol, "silence", CommunicationKind.ClinicTask, "No check-in came: the clinic gets in touch. Nothing goes up on silence.");
        action.RelatedAction.Add(new PlanDefinition.RelatedActionComponent
        {
            ActionId = "check-in",
            Relationship = ActionRelationshipType.AfterStart,
            Offset = Days(protocol.CheckIns.ClinicTaskAfterDays),
        });
        return action;
    }

    private static PlanDefinition.ActionComponent StepChange(ProtocolDefinition protocol)
    {
        PlanDefinition.ActionComponent action = Act(
            protocol, "step-change", CommunicationKind.StepChange,
            ProtocolText.StepUp(protocol) + $" Irritation of 2 or more that has lasted {protocol.Severity.LastingDays} days goes one step down.");
        action.RequiredBehavior = ActionRequiredBehavior.Could;
        action.Trigger.Add(OnObservation("checkin-panel"));
        return action;
    }

    private static PlanDefinition.ActionComponent Moderate(ProtocolDefinition protocol)
    {
        PlanDefinition.ActionComponent action = Act(
            protocol, "moderate", CommunicationKind.CareAdvice, "A fresh sign of 2, or one that lasts: more moisturiser; the step stays or goes down.");
        action.Trigger.Add(OnObservation("checkin-panel"));
        return action;
    }

    private static PlanDefinition.ActionComponent Severe(ProtocolDefinition protocol)
    {
        PlanDefinition.ActionComponent action = Act(
            protocol, "severe", CommunicationKind.SafetyReferral,
            $"Any sign of 3: discontinue up to day {protocol.Severity.EarlySevereDays} of the course, later withhold. A check-in shows recovery from "
            + $"{protocol.Severity.RecoveryAfterSevereDays} days after it.");
        action.Priority = RequestPriority.Urgent;
        action.RequiredBehavior = ActionRequiredBehavior.Must;
        action.Trigger.Add(OnObservation("checkin-panel"));
        return action;
    }

    private static PlanDefinition.ActionComponent Finding(ProtocolDefinition protocol, FindingRule rule)
    {
        CommunicationKind? kind = rule.Effect switch
        {
            FindingEffect.Discontinue or FindingEffect.ByJurisdiction or FindingEffect.Withhold => CommunicationKind.SafetyReferral,
            FindingEffect.Review => CommunicationKind.Review,
            FindingEffect.CautiousLadder => null,
        };
        string code = rule.Finding.Code();
        PlanDefinition.ActionComponent action = Act(protocol, $"finding-{code}", kind, ProtocolText.Finding(rule));
        action.Title = $"Finding: {code}";
        action.Priority = CommunicationRequestWriter.PriorityOf(rule.Priority);
        action.RequiredBehavior = rule.Priority == Priority.Routine ? null : ActionRequiredBehavior.Must;
        action.Documentation.Add(ProtocolPublication.Citation(rule.Source));
        action.Trigger.Add(OnObservation(code));
        return action;
    }

    private static PlanDefinition.ActionComponent Review(ProtocolDefinition protocol) => Act(
        protocol, "review", CommunicationKind.Review,
        $"More than {FhirText.Number(protocol.Dose.FaceMaximumGrams)} g per application to the face, a dosage that cannot be read, an age under the label's or unknown, "
        + $"use over {FhirText.Number(protocol.Supply.OverUse)} times the plan, records that contradict each other.");

    private static PlanDefinition.ActionComponent EffectReview(ProtocolDefinition protocol) => Act(
        protocol, "effect-review", CommunicationKind.EffectReview, $"From day {protocol.Strength.EffectReviewDay} on a strength until somebody has said what it does.");

    private static PlanDefinition.ActionComponent Repeat(ProtocolDefinition protocol) => Act(
        protocol, "repeat", CommunicationKind.RepeatReminder, $"{protocol.Supply.ReminderDaysBefore} days before the tube is reckoned to run out.");

    private static PlanDefinition.ActionComponent Act(ProtocolDefinition protocol, string id, CommunicationKind? kind, string description)
    {
        Activity? activity = kind is { } known ? Activity.Of(known) : null;
        return new PlanDefinition.ActionComponent
        {
            ElementId = id,
            Title = activity?.Title,
            Description = description,
            Definition = activity is null ? null : new Canonical(activity.Canonical(protocol.Version)),
        };
    }

    private static TriggerDefinition OnObservation(string code) => new()
    {
        Type = TriggerDefinition.TriggerType.DataAdded,
        Data =
        [
            new DataRequirement
            {
                Type = FHIRAllTypes.Observation,
                CodeFilter = [new DataRequirement.CodeFilterComponent { Path = "code", Code = [new Coding(Codes.Systems.Tolerability, code)] }],
            },
        ],
    };

    private static Duration Days(int days) => new() { Value = days, Unit = "days", System = Codes.Systems.Ucum, Code = "d" };
}
