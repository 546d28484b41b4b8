using Hl7.Fhir.Model;
using Titration.Protocol.Courses;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Writing;

/// <summary>A step as a FHIR Dosage.</summary>
internal static class DosageWriter
{
    /// <summary>The order's own dosage, else the step in force as one; null where neither is known.</summary>
    public static Dosage? Current(WritingContext context) =>
        context.Communication.OrderDosage?.DeepCopy()
        ?? (context.Communication.CurrentStep is { } step ? Of(step, before: null, OutgoingCodes.Ordered, context) : null);

    /// <summary>The step proposed, on the same site and by the same route and method as the order says.</summary>
    public static Dosage? Proposed(WritingContext context) =>
        context.Communication.Intent.Proposed is { } step ? Of(step, context.Communication.CurrentStep, OutgoingCodes.Calculated, context) : null;

    /// <summary>The rate as whole applications in a period of days: alternate nights are 1 in 2, however they were written.</summary>
    public static (int Applications, decimal Days) Whole(Frequency frequency)
    {
        decimal daysEach = FhirText.Normal(frequency.PerDays / frequency.Applications);
        if (daysEach == decimal.Truncate(daysEach))
        {
            return (1, daysEach);
        }

        for (int times = 1; times <= 20; times++)
        {
            decimal applications = frequency.Applications * times;
            if (applications == decimal.Truncate(applications))
            {
                return ((int)applications, FhirText.Normal(frequency.PerDays * times));
            }
        }

        return (1, decimal.Round(daysEach, 4));
    }

    private static Dosage Of(Step step, Step? before, CodeableConcept doseType, WritingContext context)
    {
        Dosage? order = context.Communication.OrderDosage;
        return new Dosage
        {
            Sequence = 1,
            Text = context.DosageText(step, context.Staff),
            PatientInstruction = context.ToPatient.Instruction(step, before, context.Communication.Protocol.FingertipUnitGrams),
            Timing = TimingOf(step.Frequency),
            AsNeeded = new FhirBoolean(false),
            Site = order?.Site?.DeepCopy() ?? SiteOf(context.Communication.Course?.Area),
            Route = order?.Route?.DeepCopy() ?? OutgoingCodes.Copy(OutgoingCodes.Topical),
            Method = order?.Method?.DeepCopy() ?? OutgoingCodes.Copy(OutgoingCodes.ThinFilm),
            DoseAndRate =
            [
                new Dosage.DoseAndRateComponent
                {
                    Type = OutgoingCodes.Copy(doseType),
                    Dose = new Quantity(FhirText.Normal(step.GramsPerApplication), "g"),
                },
            ],
        };
    }

    private static CodeableConcept SiteOf(string? area) =>
        area is null or "face" ? OutgoingCodes.Copy(OutgoingCodes.Face) : new CodeableConcept { Text = area };

    // No bounds: a proposal begins when it is approved, which nobody knows yet.
    private static Timing TimingOf(Frequency frequency)
    {
        (int applications, decimal days) = Whole(frequency);
        return new Timing
        {
            Repeat = new Timing.RepeatComponent
            {
                Frequency = applications,
                Period = days,
                PeriodUnit = Timing.UnitsOfTime.D,
                WhenElement = applications <= days ? [new Code<Timing.EventTiming>(Timing.EventTiming.HS)] : [],
            },
        };
    }
}
