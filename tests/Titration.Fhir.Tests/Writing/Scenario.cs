using System.Collections.Immutable;
using Hl7.Fhir.Model;
using Titration.Fhir.Writing;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;
using FhirTask = Hl7.Fhir.Model.Task;

namespace Titration.Fhir.Tests.Writing;

/// <summary>Communications of an invented clinic, one for each template and a few for the edges.</summary>
internal static class Scenario
{
    public static readonly DateTimeOffset AsOf = new(2026, 3, 17, 6, 0, 0, TimeSpan.Zero);

    public static readonly ClinicIdentity Clinic = new()
    {
        Organization = "Organization/org-harbour",
        Pool = "CareTeam/pool-harbour",
        Name = "Harbour Skin Clinic",
        DeviceId = "titration-service",
        Deployment = "harbour-1",
        Zone = TimeZoneInfo.FindSystemTimeZoneById("Europe/London"),
    };

    public static readonly ProtocolIdentity Protocol = new(
        "topical-retinoid-titration", "1.0.0", "https://titration.example.org/fhir/PlanDefinition/topical-retinoid-titration");

    public static readonly Step AlternateNights = new(0.025m, new Frequency(1, 2), 0.25m, Barrier: false);
    public static readonly Step Nightly = AlternateNights with { Frequency = new Frequency(1, 1) };
    public static readonly Step EveryThirdNight = AlternateNights with { Frequency = new Frequency(1, 3), Barrier = true };

    public static readonly ResourceVersion Order = Version("MedicationRequest", "rx-1", "3", 2);
    public static readonly ResourceVersion EarlierCheckIn = Version("Observation", "obs-1", "1", 8);
    public static readonly ResourceVersion CheckIn = Version("Observation", "obs-2", "2", 16);

    public static readonly Wording Wording = ReadWording();

    /// <summary>By name; the name is the golden files' too.</summary>
    public static readonly ImmutableSortedDictionary<string, OutgoingCommunication> All = new Dictionary<string, OutgoingCommunication>(StringComparer.Ordinal)
    {
        ["step-up"] = Proposal("step-up", Nightly),
        ["step-up-german"] = Proposal("step-up", Nightly) with { PatientLanguage = "de-AT" },
        ["step-up-strength"] = Proposal("step-up", AlternateNights with { StrengthPercent = 0.05m }) with { CurrentStep = Nightly with { GramsPerApplication = 0.5m } },
        ["step-down"] = Proposal("step-down", EveryThirdNight),
        ["resume"] = Proposal("resume", AlternateNights),
        ["stop-emergency"] = ToPatient("stop-emergency", CommunicationKind.SafetyReferral, Priority.Stat),
        ["stop-and-wait"] = ToPatient("stop-and-wait", CommunicationKind.SafetyReferral, Priority.Urgent),
        ["leave-out"] = ToPatient("leave-out", CommunicationKind.SafetyReferral, Priority.Urgent),
        ["care-after-moderate"] = ToPatient("care-after-moderate", CommunicationKind.CareAdvice, Priority.Routine),
        ["care-step-down"] = ToPatient("care-step-down", CommunicationKind.CareAdvice, Priority.Routine),
        ["check-in-first"] = Due(ToPatient("check-in-first", CommunicationKind.CheckInRequest, Priority.Routine), days: 3),
        ["check-in-second"] = Due(ToPatient("check-in-second", CommunicationKind.CheckInRequest, Priority.Routine, hasTask: true), days: 4),
        ["clinic-task-silent"] =
            Named(Due(ToStaff("clinic-task-silent", CommunicationKind.ClinicTask, Priority.Routine, Audience.Clinic), days: 7), "due", "2026-03-10"),
        ["unanswered-reminder"] = Reminder(),
        ["applied-while-withheld"] = Due(ToStaff("applied-while-withheld", CommunicationKind.ClinicTask, Priority.Routine), days: 7),
        ["referral-overdue"] = Overdue(Finding(ToStaff("referral", CommunicationKind.SafetyReferral, Priority.Urgent), "blistering", hours: 24)),
        ["referral"] = Finding(ToStaff("referral", CommunicationKind.SafetyReferral, Priority.Stat), "facial-swelling", hours: 2),
        ["referral-without-course"] = WithoutCourse(Finding(ToStaff("referral", CommunicationKind.SafetyReferral, Priority.Stat), "hives", hours: 2)),
        ["withhold-referral"] = Finding(ToStaff("withhold-referral", CommunicationKind.SafetyReferral, Priority.Routine), "sunburn", hours: 72),
        ["interacting-topical"] = Named(Due(ToStaff("interacting-topical", CommunicationKind.ClinicTask, Priority.Routine), days: 7), "finding", "benzoyl peroxide"),
        ["review"] = Due(ToStaff("review", CommunicationKind.Review, Priority.Routine), days: 7),
        ["effect-review"] = Named(Due(ToStaff("effect-review", CommunicationKind.EffectReview, Priority.Routine), days: 7), "days", "84"),
        ["repeat-reminder"] = Due(ToPatient("repeat-reminder", CommunicationKind.RepeatReminder, Priority.Routine, hasTask: true), days: 13),
    }.ToImmutableSortedDictionary(StringComparer.Ordinal);

    /// <summary>The names, for theories.</summary>
    public static TheoryData<string> Names => [.. All.Keys];

    public static ImmutableArray<OutgoingResource> Write(OutgoingCommunication communication) => CommunicationWriter.Write(communication, Clinic, Wording);

    public static ImmutableArray<OutgoingResource> Write(string name) => Write(All[name]);

    /// <summary>Three tasks wait in the pool, the first since a week.</summary>
    public static OutgoingResource Digest() => DigestWriter.Write(Clinic, Wording.In("en"), waiting: 3, AsOf.AddDays(-7), AsOf);

    /// <summary>The only resource of its type.</summary>
    public static T The<T>(ImmutableArray<OutgoingResource> resources) => resources.Select(r => r.Resource).OfType<T>().Single();

    public static OutgoingCommunication Proposal(string template, Step proposed) => Due(Of(new CommunicationIntent
    {
        Kind = CommunicationKind.StepChange,
        Cause = template,
        Priority = Priority.Routine,
        Audience = Audience.Patient,
        NeedsApproval = true,
        HasTask = true,
        Template = template,
        Rule = "order",
        Proposed = proposed,
        Evidence = [EarlierCheckIn, CheckIn],
    }) with
    { Reason = "14 full days on the step; 7 of 7 applications; signs at most 1" }, days: 7);

    /// <summary>What a patient is told about applying a proposed step.</summary>
    public static string Instruction(string language, Step step, Step before) =>
        ((Dosage)The<FhirTask>(Write(Proposal("step-up", step) with { CurrentStep = before, PatientLanguage = language }))
            .Input.Single(i => i.Type.Coding[0].Code == "proposed-dosage").Value!).PatientInstruction!;

    public static OutgoingCommunication ToPatient(string template, CommunicationKind kind, Priority priority, bool hasTask = false) => Of(new CommunicationIntent
    {
        Kind = kind,
        Cause = template,
        Priority = priority,
        Audience = Audience.Patient,
        NeedsApproval = false,
        HasTask = hasTask,
        Template = template,
        Rule = RuleOf(template),
        Evidence = [CheckIn],
    });

    public static OutgoingCommunication ToStaff(string template, CommunicationKind kind, Priority priority, Audience audience = Audience.Prescriber)
    {
        OutgoingCommunication communication = ToPatient(template, kind, priority, hasTask: true);
        return communication with
        {
            Intent = communication.Intent with
            {
                Audience = audience,
                Values = ImmutableSortedDictionary<string, string>.Empty.Add("reason", "one reason, with its numbers"),
            },
        };
    }

    public static OutgoingCommunication Due(OutgoingCommunication communication, int days) =>
        communication with { Intent = communication.Intent with { Due = AsOf.AddDays(days) } };

    public static OutgoingCommunication Finding(OutgoingCommunication communication, string code, int hours) =>
        communication with { Intent = communication.Intent with { Finding = code, Due = AsOf.AddHours(hours) } };

    public static OutgoingCommunication Named(OutgoingCommunication communication, string placeholder, string value) =>
        communication with { Intent = communication.Intent with { Values = communication.Intent.Values.SetItem(placeholder, value) } };

    public static ImmutableArray<WordingFile> WordingFiles() =>
    [
        .. Directory.GetFiles(Repository.File("contracts", "wording"), "*.json").Order(StringComparer.Ordinal)
            .Select(path => new WordingFile(Path.GetFileName(path), File.ReadAllBytes(path))),
    ];

    /// <summary>The step up that nobody answered; it has taken the place of another that was withdrawn.</summary>
    private static OutgoingCommunication Reminder()
    {
        OutgoingCommunication reminder = Due(ToStaff("unanswered-reminder", CommunicationKind.ClinicTask, Priority.Routine), days: 3);
        Guid waiting = DerivedId.Of("example", "step-up");
        return reminder with
        {
            Intent = reminder.Intent with { HasTask = false, Reminds = new CommunicationReference(CommunicationKind.StepChange, "step-up") },
            Reminds = OutgoingReferences.ToOther(waiting, OutgoingRole.Task, OutgoingResource.UuidOf(waiting, OutgoingRole.Task).ToString()),
        };
    }

    private static OutgoingCommunication Overdue(OutgoingCommunication communication)
    {
        Guid replaced = DerivedId.Of("example", "step-up");
        return communication with
        {
            Intent = communication.Intent with { Overdue = true },
            Key = DerivedId.Of("example", "referral-overdue"),
            Replaces = OutgoingReferences.ToOther(
                replaced, OutgoingRole.CommunicationRequest, OutgoingResource.UuidOf(replaced, OutgoingRole.CommunicationRequest).ToString()),
        };
    }

    private static string RuleOf(string template) => template switch
    {
        "stop-emergency" or "stop-and-wait" or "referral" => "stop-finding",
        "leave-out" or "withhold-referral" => "hold-finding",
        "care-after-moderate" => "fresh-moderate-irritation",
        "care-step-down" => "lasting-moderate-irritation",
        "review" => "review-finding",
        "interacting-topical" or "effect-review" => template,
        "repeat-reminder" => "supply",
        "unanswered-reminder" => "unanswered",
        "applied-while-withheld" => template,
        _ => "silence",
    };

    private static OutgoingCommunication WithoutCourse(OutgoingCommunication communication) =>
        communication with { Course = null, CurrentStep = null, Order = null, Prescriber = null };

    private static OutgoingCommunication Of(CommunicationIntent intent) => new()
    {
        Key = DerivedId.Of("example", intent.Template),
        DecisionId = Reconciliation.DecisionId("px-1", 7),
        Patient = "px-1",
        Course = Course.Of("px-1", "tretinoin", "face"),
        AsOf = AsOf,
        Intent = intent,
        CurrentStep = AlternateNights,
        Order = Order,
        Prescriber = "PractitionerRole/role-1",
        InputDigest = new string('a', 64),
        PolicyHash = new string('b', 64),
        Protocol = Protocol,
    };

    private static ResourceVersion Version(string type, string id, string version, int marchDay) =>
        new(type, id, version, new DateTimeOffset(2026, 3, marchDay, 10, 0, 0, TimeSpan.Zero), new string(version[0], 64));

    private static Wording ReadWording()
    {
        WordingReading reading = Wording.Read(WordingFiles());
        return reading.Wording ?? throw new InvalidOperationException(string.Join('\n', reading.Problems));
    }
}
