using CsCheck;
using Titration.Protocol.Courses;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.TestKit;

namespace Titration.Protocol.Tests.Properties;

/// <summary>
/// Whole histories: an order and check-ins at plausible intervals, so that steps up happen, and around them anything that may befall a
/// course: later orders and versions, findings, recoveries, effects, procedures, other products, other dates.
/// </summary>
internal static class Histories
{
    private static readonly DateTimeOffset Start = new(2026, 3, 1, 10, 0, 0, TimeSpan.Zero);

    private static readonly (decimal Nights, decimal PerDays)[] Frequencies = [(1, 2), (1, 1), (1, 3), (2, 4), (3, 7), (1, 7), (2, 1)];
    private static readonly decimal[] Amounts = [0.25m, 0.5m, 0.4m, 0.1m, 0.6m];
    private static readonly decimal?[] Tubes = [5m, 2m, 30m, 1m];
    private static readonly decimal?[] Strengths = [0.025m, 0.05m, 0.1m, 0.04m, 0.01m, null];

    private static readonly Gen<PrescriptionStatus> AnyStatus = Gen.Frequency(
        (6, Gen.Const(PrescriptionStatus.Active)), (3, Gen.Const(PrescriptionStatus.OnHold)), (2, Gen.Const(PrescriptionStatus.Ended)),
        (1, Gen.Const(PrescriptionStatus.NeverInForce)), (1, Gen.Const(PrescriptionStatus.Removed)));

    /// <summary>Days from the start, to the minute.</summary>
    private static Gen<DateTimeOffset> Within(int from, int to) => Gen.Int[from * 1440, to * 1440].Select(m => Start.AddMinutes(m));

    private static Gen<ClinicalTime> TimeWithin(int from, int to) => Gen.Select(Within(from, to), Gen.Int[0, 9], (at, kind) =>
        kind == 0 ? ClinicalTime.On(DateOnly.FromDateTime(at.UtcDateTime)) : ClinicalTime.At(at));

    private static readonly Gen<int[]> Grades = Gen.Frequency(
        (12, Gen.Int[0, 1].Array[4]), (2, Gen.Int[0, 2].Array[5]), (1, Gen.Int[-1, 1].Array[4]), (2, Gen.Int[-1, 3].Array[5]));

    private static readonly Gen<Statement[]> Count = Gen.Frequency(
        (8, Gen.Int[2, 8].Select(n => new Statement[] { new Statement.NightsApplied(n) })),
        (2, Gen.Const(new Statement[] { new Statement.NightsApplied(0) })),
        (2, Gen.Int[0, 3].Select(n => new Statement[] { new Statement.ApplicationsMissed(n) })),
        (2, Gen.Const(Array.Empty<Statement>())));

    private static readonly Gen<Statement[]> CheckIn = Gen.Select(Grades, Count, (grades, count) =>
        (Statement[])[.. grades.Select((g, sign) => (g, sign)).Where(x => x.g >= 0).Select(x => new Statement.Graded((Sign)x.sign, (Grade)x.g)), .. count]);

    private static readonly Gen<FindingKind> AnyFinding = Gen.OneOf(Enum.GetValues<FindingKind>());

    private static readonly Gen<Statement[]> Anything = Gen.Frequency(
        (6, CheckIn),
        (3, Gen.Select(AnyFinding, Gen.Int[0, 3], (kind, denied) => new Statement[] { new Statement.FindingReported(kind, denied > 0) })),
        (2, Gen.Bool.Select(yes => new Statement[] { new Statement.Recovered(yes) })),
        (1, Gen.OneOf(Enum.GetValues<Effect>()).Select(e => new Statement[] { new Statement.EffectSeen(e) })),
        (1, Gen.Int[-10, 190].Select(day => new Statement[] { new Statement.ProcedurePlanned(new DateOnly(2026, 3, 1).AddDays(day)) })));

    /// <summary>An observation; now and then under an id that another one has, so that versions meet.</summary>
    private static Gen<Func<int, Fact>> Observation(Gen<ClinicalTime> when, Gen<Statement[]> what) =>
        Gen.Select(when, what, Gen.Int[0, 9], Gen.Int[0, 19], Gen.Int[0, 9], Gen.Int[0, 3], (time, statements, by, kind, period, delay) =>
        {
            bool clinician = by < 3;
            return (Func<int, Fact>)(index => new ObservationFact
            {
                Source = Source("Observation", kind == 0 ? "o0" : $"o{index}", index, kind == 1 ? null : time.StartIn(TimeZoneInfo.Utc).AddDays(kind < 4 ? delay : 0)),
                Patient = "p1",
                Status = kind == 2 ? ObservationStatus.Removed : kind == 3 ? ObservationStatus.Waits : ObservationStatus.Counts,
                Effective = time,
                PeriodStart = period == 0 ? ClinicalTime.At(time.StartIn(TimeZoneInfo.Utc).AddDays(-5)) : null,
                PerformerKind = clinician ? PerformerKind.Clinician : PerformerKind.Patient,
                Performer = clinician ? "Practitioner/pr-1" : "Patient/p1",
                IsPanel = kind != 4,
                BasedOn = kind == 5 ? ["rx1"] : [],
                Statements = [.. statements],
            });
        });

    private static readonly Gen<Func<int, Fact>> Order = Gen.Select(
        Gen.Int[0, 3], AnyStatus, TimeWithin(-2, 120), Gen.Int[0, 20], Gen.OneOf(Frequencies), Gen.OneOf(Amounts), Gen.OneOf(Strengths), Gen.Int[0, 19],
        (id, status, authored, delay, frequency, grams, strength, kind) => (Func<int, Fact>)(index => new PrescriptionFact
        {
            Source = Source("MedicationRequest", $"rx{id}", index, kind == 0 ? null : authored.StartIn(TimeZoneInfo.Utc).AddDays(delay)),
            Patient = "p1",
            Status = status,
            Product = new Product(ProductRole.Titrated, kind is 1 or 2 ? "adapalene" : "tretinoin", kind is 1 or 2 ? 0.1m : strength),
            Area = kind == 3 ? "neck" : Areas.Face,
            AuthoredOn = id == 1 ? ClinicalTime.At(Start) : authored,
            Phases = kind == 4
                ? []
                : [new DosagePhase(kind == 5 ? ClinicalTime.At(authored.StartIn(TimeZoneInfo.Utc).AddDays(9)) : null, new Frequency(frequency.Nights, frequency.PerDays), grams)],
            Doubts = kind == 4 ? [DosageDoubt.AsNeeded] : [],
            GramsPerFill = kind == 6 ? null : Tubes[delay % Tubes.Length],
            Fills = 1 + (kind % 3),
            PriorPrescription = kind == 1 ? "rx1" : null,
        }));

    private static readonly Gen<Func<int, Fact>> OtherProduct = Gen.Select(AnyStatus, TimeWithin(-10, 120), Gen.Int[0, 20], Gen.Bool, (status, authored, delay, retinoid) =>
        (Func<int, Fact>)(index => new PrescriptionFact
        {
            Source = Source("MedicationRequest", retinoid ? "other1" : "other2", index, authored.StartIn(TimeZoneInfo.Utc).AddDays(delay)),
            Patient = "p1",
            Status = status,
            Product = new Product(retinoid ? ProductRole.OtherRetinoid : ProductRole.Interacting, retinoid ? "retinol" : "benzoyl peroxide", null),
            Area = Areas.Face,
            AuthoredOn = authored,
        }));

    private static readonly Gen<Fact> Patient = Gen.Int[0, 19].Select(kind => (Fact)new PatientFact
    {
        Source = Source("Patient", "p1", 0, Start.AddDays(-1)),
        Patient = "p1",
        BirthDate = kind == 0 ? null : kind == 1 ? new DateOnly(2014, 4, 10) : new DateOnly(1994, 7, 2),
        Deceased = kind == 2,
        Active = kind != 3,
        ReplacedBy = kind == 4 ? "p2" : null,
    });

    private static readonly Gen<Func<int, Fact>> FirstOrder = Gen.Select(Gen.Int[0, 9], Gen.Int[0, 9], Gen.Int[0, 9], Gen.Int[0, 5], (frequency, grams, strength, tube) =>
        (Func<int, Fact>)(index => new PrescriptionFact
        {
            Source = Source("MedicationRequest", "rx1", index, Start),
            Patient = "p1",
            Status = PrescriptionStatus.Active,
            Product = new Product(ProductRole.Titrated, "tretinoin", strength > 6 ? 0.05m : 0.025m),
            Area = Areas.Face,
            AuthoredOn = ClinicalTime.At(Start),
            Phases = [new DosagePhase(null, frequency < Frequencies.Length ? new Frequency(Frequencies[frequency].Nights, Frequencies[frequency].PerDays) : new Frequency(1, 1), grams > 6 ? 0.5m : 0.25m)],
            GramsPerFill = tube < Tubes.Length ? Tubes[tube] : null,
            Fills = 1 + (tube % 2),
        }));

    /// <summary>Check-ins about a week apart.</summary>
    private static readonly Gen<List<Func<int, Fact>>> Diary = Gen.Int[0, 18].SelectMany(n => Gen.Select(
        Gen.Select(Gen.Int[0, 3 * 1440], CheckIn).Array[n], entries =>
            entries.Select((entry, week) => (Func<int, Fact>)(index => new ObservationFact
            {
                Source = Source("Observation", $"o{index}", index, Start.AddDays((7 * week) + 5).AddMinutes(entry.Item1)),
                Patient = "p1",
                Status = ObservationStatus.Counts,
                Effective = ClinicalTime.At(Start.AddDays((7 * week) + 5).AddMinutes(entry.Item1)),
                PerformerKind = PerformerKind.Patient,
                Performer = "Patient/p1",
                IsPanel = true,
                Statements = [.. entry.Item2],
            })).ToList()));

    private static readonly Gen<Func<int, Fact>> Incident = Gen.Frequency(
        (8, Observation(TimeWithin(-10, 150), Anything)), (3, Order), (1, OtherProduct));

    private static readonly Gen<ProtocolDefinition> Protocol = Gen.Frequency(
        (6, Gen.Const(Story.Standard)), (2, Gen.Const(Protocols.WithProcedures)), (1, Gen.Const(Protocols.AssumingNights)));

    private static readonly Gen<string> Zone = Gen.OneOf("Europe/London", "America/New_York", "Pacific/Auckland", "Asia/Kolkata");

    /// <summary>Histories of a clinic, looked at on some day of half a year.</summary>
    public static readonly Gen<Case> Clinical = Gen.Select(
        Patient, FirstOrder, Diary, Incident.List[0, 6], Within(-1, 160), Zone, Protocol, (patient, first, diary, incidents, at, zone, protocol) =>
            new Case([patient, .. new[] { first }.Concat(diary).Concat(incidents).Select((make, index) => make(index + 1))], at, zone, protocol));

    /// <summary>A finding added to a history: any but caution, which chooses a ladder and is no reason to stop.</summary>
    public static readonly Gen<Func<int, Fact>> AnyAddedFinding = Observation(
        TimeWithin(-5, 150), Gen.OneOf(Enum.GetValues<FindingKind>().Where(k => k != FindingKind.Caution).ToArray())
            .Select(kind => new Statement[] { new Statement.FindingReported(kind, true) }))
        .Select(make => (Func<int, Fact>)(index =>
        {
            Fact fact = make(index);
            return fact with { Source = fact.Source with { Id = "added" } };
        }));

    private static ResourceVersion Source(string type, string id, int index, DateTimeOffset? recorded) => new(type, id, $"{index}", recorded, $"hash{index:000}");
}
