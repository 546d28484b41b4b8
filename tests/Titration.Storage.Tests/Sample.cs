using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Storage.Tests;

/// <summary>Invented records.</summary>
internal static class Sample
{
    public static readonly DateTimeOffset Noon = new(2026, 2, 27, 12, 0, 0, 123, TimeSpan.Zero);

    public static ResourceVersion Source(string type, string id, string? version = "1", string hash = "aa") => new(type, id, version, Noon, hash);

    /// <summary>Facts that together hold every kind of fact and statement and every optional member, given and not given.</summary>
    public static ImmutableArray<Fact> Facts(string patient) =>
    [
        new PrescriptionFact
        {
            Source = Source("MedicationRequest", "order-1"),
            Patient = patient,
            Status = PrescriptionStatus.Active,
            Product = new Product(ProductRole.Titrated, "tretinoin", 0.025m),
            Area = "face",
            AuthoredOn = ClinicalTime.At(Noon),
            Start = ClinicalTime.On(new DateOnly(2026, 2, 28)),
            Phases =
            [
                new DosagePhase(null, new Frequency(1, 3), 0.25m),
                new DosagePhase(ClinicalTime.On(new DateOnly(2026, 3, 20)), new Frequency(3.5m, 7), 0.5m),
            ],
            GramsPerFill = 20m,
            Fills = 3,
            PriorPrescription = "order-0",
            Prescriber = "PractitionerRole/role-1",
        },
        new PrescriptionFact
        {
            Source = new ResourceVersion("MedicationRequest", "order-2", null, null, "bb"),
            Patient = patient,
            Status = PrescriptionStatus.NeverInForce,
            Product = new Product(ProductRole.Interacting, "benzoyl peroxide", null, PartOfCombination: true),
            Area = "face",
            AuthoredOn = ClinicalTime.On(new DateOnly(2026, 2, 27)),
            Doubts = [DosageDoubt.AsNeeded, DosageDoubt.StrengthUnknown],
        },
        new ObservationFact
        {
            Source = Source("Observation", "check-in-1"),
            Patient = patient,
            Status = ObservationStatus.Counts,
            Effective = ClinicalTime.At(Noon.AddDays(7)),
            PeriodStart = ClinicalTime.On(new DateOnly(2026, 2, 27)),
            PerformerKind = PerformerKind.Clinician,
            Performer = "Practitioner/p-1",
            IsPanel = true,
            BasedOn = ["order-1"],
            Statements =
            [
                new Statement.Graded(Sign.Erythema, Grade.Moderate),
                new Statement.NightsApplied(3),
                new Statement.ApplicationsMissed(1),
                new Statement.FindingReported(FindingKind.FacialSwelling, Present: false),
                new Statement.ProcedurePlanned(new DateOnly(2026, 4, 1)),
                new Statement.Recovered(Yes: true),
                new Statement.EffectSeen(Effect.MoreWanted),
                new Statement.FollowUp(Yes: false),
            ],
        },
        new ObservationFact
        {
            Source = Source("Observation", "check-in-2"),
            Patient = patient,
            Status = ObservationStatus.Removed,
            Effective = ClinicalTime.On(new DateOnly(2026, 3, 9)),
            PerformerKind = PerformerKind.Patient,
            IsPanel = false,
            Statements = [],
        },
        new PatientFact
        {
            Source = Source("Patient", patient),
            Patient = patient,
            BirthDate = new DateOnly(1990, 12, 31),
            Deceased = true,
            Active = false,
            Language = "de-CH",
            ReplacedBy = "other",
        },
        new PatientFact { Source = Source("Patient", patient, version: "2"), Patient = patient },
        new AnswerFact
        {
            Source = Source("Task", "task-1"),
            Patient = patient,
            Communication = DerivedId.Of("communication", "1"),
            Course = DerivedId.Of("course", "1"),
            Kind = CommunicationKind.StepChange,
            Cause = "step-up",
            ProposedAt = Noon,
            Proposed = new Step(0.025m, new Frequency(1, 1), 0.25m, Barrier: true),
            Answer = TaskAnswer.Declined,
            At = Noon,
            Reason = "clinical-judgement",
        },
        new AnswerFact
        {
            Source = Source("Task", "task-2"),
            Patient = patient,
            Communication = DerivedId.Of("communication", "2"),
            Course = null,
            Kind = CommunicationKind.SafetyReferral,
            Cause = "hives",
            ProposedAt = Noon,
            Answer = TaskAnswer.Done,
            At = Noon,
        },
    ];

    public static CommunicationIntent Intent(
        string cause, Priority priority = Priority.Routine, CommunicationKind kind = CommunicationKind.CheckInRequest) => new()
        {
            Kind = kind,
            Cause = cause,
            Priority = priority,
            Audience = Audience.Patient,
            NeedsApproval = false,
            HasTask = false,
            Template = "check-in",
            Rule = "check-in-due",
        };

    public static Evaluation Evaluation(string patient, DateTimeOffset asOf) => new()
    {
        Course = Course.Of(patient, "tretinoin", "face"),
        Patient = patient,
        AsOf = asOf,
        Outcome = Outcome.Maintain,
        Step = new StepInForce(LowestStep, new DateOnly(2026, 2, 27)),
        Reasons = [new RuleResult("minimum-time", Outcome.Maintain, "day 2 of 14", [Source("MedicationRequest", "order-1")])],
        Communications = [],
        NextLook = asOf.AddDays(1),
    };

    /// <summary>An evaluation in which every member is given.</summary>
    public static Evaluation FullEvaluation(string patient) => Evaluation(patient, Noon) with
    {
        Proposed = LowestStep with { Barrier = true },
        Findings = [new StandingFinding("hives", new DateOnly(2026, 3, 1), [Source("Observation", "check-in-1")])],
        Order = Source("MedicationRequest", "order-1"),
        Prescriber = "PractitionerRole/role-1",
        Communications =
        [
            Intent("hives:check-in-1", Priority.Stat, CommunicationKind.SafetyReferral) with
            {
                Due = Noon,
                Proposed = LowestStep,
                Values = ImmutableSortedDictionary<string, string>.Empty.Add("step", "alternate nights").Add("day", "2 März"),
                Evidence = [Source("Observation", "check-in-1", version: null)],
                Finding = "hives",
            },
        ],
    };

    private static Step LowestStep => new(0.025m, new Frequency(1, 2), 0.25m, Barrier: false);
}
