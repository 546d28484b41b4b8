namespace Titration.Protocol.Doses;

/// <summary>Whose fingertip is meant: a man's unit is larger.</summary>
public enum Sex
{
    /// <summary>A woman's hand.</summary>
    Female,

    /// <summary>A man's hand.</summary>
    Male,
}

/// <summary>A part of the body for which the units that cover it once were measured.</summary>
public enum BodyRegion
{
    /// <summary>Face and neck together.</summary>
    FaceAndNeck,

    /// <summary>Front of the trunk.</summary>
    TrunkFront,

    /// <summary>Back of the trunk, with the buttocks.</summary>
    TrunkBack,

    /// <summary>One arm and forearm, without the hand.</summary>
    ArmAndForearm,

    /// <summary>One hand, both sides.</summary>
    Hand,

    /// <summary>One leg and thigh, without the foot.</summary>
    LegAndThigh,

    /// <summary>One foot.</summary>
    Foot,
}

/// <summary>
/// The fingertip unit: ointment squeezed from a 5 mm nozzle from the distal crease to the tip of an adult's index finger (Long and Finlay,
/// Clin Exp Dermatol 1991;16:444-447). Creams and gels are taken as equal in weight: an approximation, as everywhere in practice.
/// </summary>
public static class FingertipUnit
{
    /// <summary>Grams in one unit as measured: men 0.49 g, women 0.43 g (Long and Finlay 1991).</summary>
    public static decimal MeasuredGrams(Sex sex) => sex switch
    {
        Sex.Female => 0.43m,
        Sex.Male => 0.49m,
    };

    /// <summary>Grams in one unit as used at the bedside: men 0.5 g, women 0.4 g (DermNet, rounded from Long and Finlay 1991).</summary>
    public static decimal RoundedGrams(Sex sex) => sex switch
    {
        Sex.Female => 0.4m,
        Sex.Male => 0.5m,
    };

    /// <summary>
    /// Units that cover a region once, in mean: face and neck 2.5 (SD 0.8), trunk front 6.7, trunk back 6.8, arm and forearm 3.3, hand 1.2,
    /// leg and thigh 5.8, foot 1.8 (Long and Finlay 1991). A titrated retinoid on the face takes far less: half a unit to one.
    /// </summary>
    public static decimal UnitsFor(BodyRegion region) => region switch
    {
        BodyRegion.FaceAndNeck => 2.5m,
        BodyRegion.TrunkFront => 6.7m,
        BodyRegion.TrunkBack => 6.8m,
        BodyRegion.ArmAndForearm => 3.3m,
        BodyRegion.Hand => 1.2m,
        BodyRegion.LegAndThigh => 5.8m,
        BodyRegion.Foot => 1.8m,
    };

    /// <summary>Grams of product in a number of units.</summary>
    /// <param name="units">Fingertip units, 0 or more; halves and tenths are usual.</param>
    /// <param name="sex">Whose fingertip.</param>
    /// <param name="rounded">The bedside's 0.5 g and 0.4 g in place of the measured 0.49 g and 0.43 g.</param>
    /// <exception cref="ArgumentOutOfRangeException"><paramref name="units"/> is negative.</exception>
    public static decimal ToGrams(decimal units, Sex sex, bool rounded = false)
    {
        ArgumentOutOfRangeException.ThrowIfNegative(units);
        return units * (rounded ? RoundedGrams(sex) : MeasuredGrams(sex));
    }

    /// <summary>Grams of product that cover a region once.</summary>
    /// <param name="region">Which; arms, hands, legs and feet are of one side.</param>
    /// <param name="sex">Whose fingertip measures it.</param>
    /// <param name="rounded">As for <see cref="ToGrams"/>.</param>
    public static decimal GramsFor(BodyRegion region, Sex sex, bool rounded = false) => ToGrams(UnitsFor(region), sex, rounded);
}
