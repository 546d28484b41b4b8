using CsCheck;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.TestKit;

namespace Titration.Protocol.Tests.Properties;

/// <summary>Histories that no clinic has: dates at the calendar's ends, counts beyond all nights, anything in any place.</summary>
internal static class Nonsense
{
    private static readonly Gen<DateTimeOffset> Instant = Gen.Frequency(
        (1, Gen.OneOf(DateTimeOffset.MinValue, DateTimeOffset.MaxValue, DateTimeOffset.UnixEpoch)),
        (4, Gen.Int[0, 100_000].Select(m => new DateTimeOffset(2026, 1, 1, 0, 0, 0, TimeSpan.Zero).AddMinutes(m))));

    private static readonly Gen<DateOnly> Date = Instant.Select(i => DateOnly.FromDateTime(i.UtcDateTime));

    private static readonly Gen<ClinicalTime> Time = Gen.Select(Instant, Gen.Bool, (i, day) => day ? ClinicalTime.On(DateOnly.FromDateTime(i.UtcDateTime)) : ClinicalTime.At(i));

    private static readonly Gen<int> Number = Gen.OneOf(Gen.Int[0, 10], Gen.OneOf(int.MaxValue, int.MinValue, -1));

    private static readonly Gen<Statement> Said = Gen.OneOf(
        Gen.Select(Gen.OneOf(Enum.GetValues<Sign>()), Gen.OneOf(Enum.GetValues<Grade>()), (s, g) => (Statement)new Statement.Graded(s, g)),
        Number.Select(n => (Statement)new Statement.NightsApplied(n)),
        Number.Select(n => (Statement)new Statement.ApplicationsMissed(n)),
        Gen.Select(Gen.OneOf(Enum.GetValues<FindingKind>()), Gen.Bool, (k, p) => (Statement)new Statement.FindingReported(k, p)),
        Date.Select(d => (Statement)new Statement.ProcedurePlanned(d)),
        Gen.Bool.Select(y => (Statement)new Statement.Recovered(y)),
        Gen.OneOf(Enum.GetValues<Effect>()).Select(e => (Statement)new Statement.EffectSeen(e)),
        Gen.Bool.Select(y => (Statement)new Statement.FollowUp(y)));

    private static Gen<ResourceVersion> Source(string type, string id) => Gen.Select(Gen.Int[0, 3], Gen.Int[0, 2], Gen.Bool, Instant, Gen.Int[0, 9], (number, version, dated, at, hash) =>
        new ResourceVersion(type, $"{id}{number}", version == 0 ? null : $"{version}", dated ? at : null, $"{number}{hash}"));

    private static readonly Gen<Fact> Observation = Gen.Select(
        Source("Observation", "o"), Time, Time, Gen.Int[0, 7], Said.Array[0, 6], (source, effective, from, kind, said) => (Fact)new ObservationFact
        {
            Source = source,
            Patient = "p1",
            Status = (ObservationStatus)(kind % 3),
            Effective = effective,
            PeriodStart = kind > 5 ? from : null,
            PerformerKind = kind % 2 == 0 ? PerformerKind.Clinician : PerformerKind.Patient,
            Performer = kind > 3 ? null : "Patient/p1",
            IsPanel = kind % 2 == 1,
            BasedOn = kind == 7 ? ["rx9", "rx0"] : [],
            Statements = [.. said],
        });

    private static readonly Gen<DosagePhase> Phase = Gen.Select(Time, Gen.Int[1, 40], Gen.Int[1, 400], Gen.Int[1, 4_000], Gen.Bool, (start, applications, days, grams, starts) =>
        new DosagePhase(starts ? start : null, new Frequency(applications, days), grams / 1000m));

    private static readonly Gen<Fact> Prescription = Gen.Select(
        Source("MedicationRequest", "rx"), Time, Gen.OneOf(Enum.GetValues<PrescriptionStatus>()), Gen.OneOf(Enum.GetValues<ProductRole>()),
        Gen.OneOf("tretinoin", "adapalene", "no such thing"), Gen.Int[0, 5], Phase.Array[0, 3], (source, authored, status, role, ingredient, kind, phases) =>
            (Fact)new PrescriptionFact
            {
                Source = source,
                Patient = "p1",
                Status = status,
                Product = new Product(role, ingredient, kind == 0 ? null : kind * 20m / 1000),
                Area = kind == 1 ? "nowhere" : "face",
                AuthoredOn = authored,
                Phases = [.. phases],
                GramsPerFill = kind switch { 0 => null, 1 => decimal.MaxValue, 2 => decimal.MinValue, _ => kind },
                Fills = kind switch { 1 => int.MaxValue, 2 => int.MinValue, _ => kind },
                PriorPrescription = kind < 3 ? $"rx{kind}" : null,
            });

    private static readonly Gen<Fact> Patient = Gen.Select(Source("Patient", "p"), Date, Gen.Int[0, 7], (source, born, kind) => (Fact)new PatientFact
    {
        Source = source,
        Patient = "p1",
        BirthDate = kind > 1 ? born : null,
        Deceased = kind == 2,
        Active = kind != 3,
        ReplacedBy = kind == 4 ? "p1" : null,
    });

    private static readonly ProtocolDefinition Odd = Protocols.AssumingNights with
    {
        Jurisdiction = "nowhere",
        Dose = Story.Standard.Dose with { ProcedureDaysBefore = 30, ProcedureDaysAfter = 30 },
    };

    public static readonly Gen<Case> Any = Gen.Select(
        Gen.Frequency((4, Observation), (3, Prescription), (1, Patient)).Array[0, 12],
        Gen.Int[-1000, 200_000].Select(m => new DateTimeOffset(2026, 1, 1, 0, 0, 0, TimeSpan.Zero).AddMinutes(m)),
        Gen.OneOf("Europe/London", "America/New_York", "Pacific/Auckland", "Asia/Kolkata", "Pacific/Apia"), Gen.Bool,
        (facts, at, zone, odd) => new Case([.. facts], at, zone, odd ? Odd : Story.Standard));
}
