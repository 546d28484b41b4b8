using System.Collections.Immutable;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.TestKit;

namespace Titration.Protocol.Tests.Properties;

/// <summary>What decides: the policy itself, or one broken on purpose.</summary>
internal delegate ImmutableArray<Evaluation> Policy(ImmutableArray<Fact> facts, ProtocolDefinition protocol, AsOf asOf);

/// <summary>A history, an instant, a clinic.</summary>
internal sealed record Case(ImmutableArray<Fact> Facts, DateTimeOffset At, string Zone, ProtocolDefinition Protocol)
{
    public AsOf AsOf => new(At, TimeZoneInfo.FindSystemTimeZoneById(Zone));

    /// <summary>The policy under test.</summary>
    public static Policy Real { get; } = (facts, protocol, asOf) => TitrationPolicy.Evaluate(new PatientHistory("p1", facts), protocol, asOf);

    public ImmutableArray<Evaluation> EvaluatedBy(Policy policy) => policy(Facts, Protocol, AsOf);

    /// <summary>Enough to write a story of it.</summary>
    public override string ToString() =>
        $"{At:O} {Zone} unreported={Protocol.StepUp.CountUnreportedNights} procedures={Protocol.Dose.ProcedureDaysBefore} {Protocol.Jurisdiction}\n"
        + string.Join('\n', Facts.Select(Short));

    private static string Short(Fact fact) => fact switch
    {
        PatientFact p => $"patient born {p.BirthDate:O} deceased {p.Deceased} active {p.Active} replaced by {p.ReplacedBy}",
        PrescriptionFact p =>
            $"{p.Source.Id}/{p.Source.VersionId} of {p.Source.LastUpdated:O}: {p.Status} {p.Product.Role} {p.Product.Ingredient} {p.Product.StrengthPercent} % {p.Area} authored {Time(p.AuthoredOn)} "
            + $"{p.Fills} fills of {p.GramsPerFill} g prior {p.PriorPrescription} {string.Join(' ', p.Doubts)} {string.Join(" then ", p.Phases.Select(d => $"{d.Frequency.Applications} in {d.Frequency.PerDays}, {d.GramsPerApplication} g from {Time(d.Start)}"))}",
        ObservationFact o =>
            $"{o.Source.Id}/{o.Source.VersionId} of {o.Source.LastUpdated:O}: {o.Status} {o.PerformerKind} {(o.IsPanel ? "panel" : "single")} {Time(o.Effective)} from {Time(o.PeriodStart)} {string.Join(' ', o.BasedOn)} "
            + string.Join(", ", o.Statements.Select(s => s is Statement.Graded g ? $"{g.Sign} {(int)g.Grade}" : s.ToString())),
        _ => fact.ToString()!,
    };

    private static string Time(ClinicalTime? time) => time is { } t ? t.Instant?.ToString("yyyy-MM-ddTHH:mmZ") ?? $"{t.Day:O}" : "-";
}

/// <summary>The protocols that the properties are tried with.</summary>
internal static class Protocols
{
    public static ProtocolDefinition WithProcedures { get; } = Story.Standard with
    {
        Jurisdiction = "us",
        Dose = Story.Standard.Dose with { ProcedureDaysBefore = 5, ProcedureDaysAfter = 10 },
    };

    public static ProtocolDefinition AssumingNights { get; } = Story.Standard with { StepUp = Story.Standard.StepUp with { CountUnreportedNights = true } };
}
