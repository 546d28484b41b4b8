using System.Collections.Immutable;
using Hl7.Fhir.Model;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>The dosage of an order in the core's terms.</summary>
/// <param name="Phases">In time order; empty where <paramref name="Doubts"/> says why.</param>
/// <param name="Doubts">Why it cannot be taken as steps.</param>
/// <param name="Area">The treated area's code.</param>
/// <param name="Start">The earliest <c>boundsPeriod.start</c>.</param>
internal sealed record DosageReading(
    ImmutableArray<DosagePhase> Phases, ImmutableArray<DosageDoubt> Doubts, string Area, ClinicalTime? Start);

/// <summary>Reads the dosage instructions of an order: one, or a ramp of several that follow each other.</summary>
internal sealed class DosageReader(AmountReader amounts)
{
    private const string Root = "MedicationRequest.dosageInstruction";

    public DosageReading Read(IReadOnlyList<Dosage> dosages, ClinicalTime? authoredOn, Remarks remarks)
    {
        ImmutableArray<Instruction> instructions = [.. dosages.Select((dosage, i) => Read(dosage, $"{Root}[{i}]", remarks))];
        ImmutableArray<string> areas = [.. dosages.Select(d => AreaOf(d.Site)).Distinct(StringComparer.Ordinal)];
        ClinicalTime? start = instructions.Select(i => i.Bounds.Start).OfType<ClinicalTime>()
            .OrderBy(s => s.StartIn(TimeZoneInfo.Utc)).Cast<ClinicalTime?>().FirstOrDefault();

        HashSet<DosageDoubt> doubts = [.. instructions.Select(i => i.Doubt).OfType<DosageDoubt>()];
        ImmutableArray<DosagePhase> phases = doubts.Count == 0 && areas.Length == 1 ? Ramp.Of(instructions, authoredOn) : [];
        if (phases.IsEmpty && doubts.Count == 0)
        {
            doubts.Add(DosageDoubt.TextOnly);
        }

        return new DosageReading(phases, [.. doubts.Order()], areas is [var first, ..] ? first : Codes.FaceArea, start);
    }

    private Instruction Read(Dosage dosage, string path, Remarks remarks)
    {
        if (dosage.ModifierExtension.Count > 0)
        {
            remarks.Refuse($"{path}.modifierExtension", "An extension that may change the meaning of the dosage is not known here.");
        }

        Bounds bounds = Bounds.Of(dosage.Timing?.Repeat?.Bounds, $"{path}.timing.repeat", remarks);
        if (dosage.AsNeeded is CodeableConcept or FhirBoolean { Value: true })
        {
            return new Instruction(dosage.Sequence, bounds, null, null, DosageDoubt.AsNeeded);
        }

        Frequency? frequency = TimingReader.Read(dosage.Timing, $"{path}.timing", remarks);
        decimal? grams = amounts.PerApplication(dosage, path, remarks);
        return new Instruction(dosage.Sequence, bounds, frequency, grams, frequency is null || grams is null ? DosageDoubt.TextOnly : null);
    }

    /// <summary>A part of the face, or no code, is the face; any other code stands for itself, SNOMED CT before others.</summary>
    private static string AreaOf(CodeableConcept? site)
    {
        ImmutableArray<SystemCode> codes = [.. SystemCodes.Of(site).OrderBy(c => c.System == Codes.Systems.Snomed ? 0 : 1)];
        return codes.IsEmpty || codes.Any(c => c.System == Codes.Systems.Snomed && Codes.FaceParts.Contains(c.Code)) ? Codes.FaceArea : codes[0].Code;
    }
}

/// <summary>One dosage instruction.</summary>
internal sealed record Instruction(int? Sequence, Bounds Bounds, Frequency? Frequency, decimal? Grams, DosageDoubt? Doubt);

/// <summary>From when to when an instruction holds.</summary>
/// <param name="Start">The first moment, where it is said.</param>
/// <param name="Next">The first moment after it, where its end is said.</param>
/// <param name="Days">Its length, where that is said instead.</param>
internal sealed record Bounds(ClinicalTime? Start, ClinicalTime? Next, int? Days)
{
    private const int LongestDays = 3_660;

    public static Bounds Of(DataType? bounds, string path, Remarks remarks)
    {
        switch (bounds)
        {
            case Period period:
                ClinicalTime? start = FhirTime.Read(period.Start, $"{path}.boundsPeriod.start", remarks);
                ClinicalTime? end = FhirTime.Read(period.End, $"{path}.boundsPeriod.end", remarks);

                // A period's end without a time includes that day.
                return new Bounds(start, end is { Day: { } last } ? ClinicalTime.On(last.AddDays(1)) : end, null);
            case Duration { Value: > 0 and <= LongestDays, Comparator: null, Code: "d" or "wk" } duration:
                decimal days = duration.Value!.Value * (duration.Code == "wk" ? 7 : 1);
                return new Bounds(null, null, decimal.IsInteger(days) ? (int)days : null);
            default:
                return new Bounds(null, null, null);
        }
    }

    /// <summary>When the next instruction begins if this one begins at <paramref name="start"/>.</summary>
    public ClinicalTime? NextAfter(ClinicalTime? start) => Next ?? (start, Days) switch
    {
        ({ Day: { } day }, { } days) => ClinicalTime.On(day.AddDays(days)),
        ({ Instant: { } instant }, { } days) => ClinicalTime.At(instant.AddDays(days)),
        _ => null,
    };
}

/// <summary>Several instructions in time order.</summary>
internal static class Ramp
{
    /// <summary>The phases; empty where the order in time, or where one ends and the next begins, is not certain.</summary>
    public static ImmutableArray<DosagePhase> Of(ImmutableArray<Instruction> instructions, ClinicalTime? authoredOn)
    {
        List<DosagePhase> phases = [];
        Instruction? previous = null;
        ClinicalTime? began = null;
        foreach (Instruction instruction in Ordered(instructions))
        {
            ClinicalTime? start = previous is null
                ? instruction.Bounds.Start
                : Follows(began, previous.Bounds.NextAfter(began), instruction.Bounds.Start);
            if (previous is not null && start is null)
            {
                return [];
            }

            phases.Add(new DosagePhase(start, instruction.Frequency!.Value, instruction.Grams!.Value));
            previous = instruction;
            began = start ?? authoredOn;
        }

        return [.. phases];
    }

    /// <summary>By sequence where every one has its own, else by start where every one has its own; else none.</summary>
    private static IEnumerable<Instruction> Ordered(ImmutableArray<Instruction> instructions)
    {
        if (instructions.Length <= 1)
        {
            return instructions;
        }

        bool sequenced = instructions.All(i => i.Sequence is not null);
        if (sequenced)
        {
            return instructions.DistinctBy(i => i.Sequence).Count() == instructions.Length ? instructions.OrderBy(i => i.Sequence) : [];
        }

        bool dated = instructions.All(i => i.Sequence is null && i.Bounds.Start is not null);
        return dated ? instructions.OrderBy(i => DayOf(i.Bounds.Start!.Value)) : [];
    }

    /// <summary>The start that is said or follows from the one before; null where they disagree by more than a day, or go backwards.</summary>
    private static ClinicalTime? Follows(ClinicalTime? began, ClinicalTime? expected, ClinicalTime? said)
    {
        if ((said ?? expected) is not { } start || began is not { } before || DayOf(start) <= DayOf(before))
        {
            return null;
        }

        bool disagrees = said is { } s && expected is { } e && Math.Abs(DayOf(s).DayNumber - DayOf(e).DayNumber) > 1;
        return disagrees ? null : start;
    }

    private static DateOnly DayOf(ClinicalTime time) => time.DateIn(TimeZoneInfo.Utc);
}
