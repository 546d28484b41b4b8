using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>What the code of an observation, or of a component, is about.</summary>
internal abstract record Meaning
{
    private Meaning()
    {
    }

    /// <summary>A check-in: its components say what.</summary>
    public sealed record Panel : Meaning;

    public sealed record Graded(Sign Sign) : Meaning;

    public sealed record Finding(FindingKind Kind) : Meaning;

    public sealed record NightsApplied : Meaning;

    public sealed record ApplicationsMissed : Meaning;

    public sealed record ProcedurePlanned : Meaning;

    public sealed record Recovered : Meaning;

    public sealed record EffectSeen : Meaning;

    public sealed record FollowUp : Meaning;
}

/// <summary>What a coded value says. More than one member is set where one code answers several kinds of question.</summary>
/// <param name="Grade">As a grade.</param>
/// <param name="Yes">As a yes or no.</param>
/// <param name="Effect">As a word on the effect.</param>
internal sealed record Answer(Grade? Grade = null, bool? Yes = null, Effect? Effect = null)
{
    /// <summary>Asked, and not known: nothing is said.</summary>
    public static Answer Unknown { get; } = new();
}

/// <summary>A product as its code names it.</summary>
/// <param name="StrengthPercent">Where the code itself says the strength.</param>
/// <param name="Combination">True where the product holds another active ingredient too.</param>
internal sealed record CodedProduct(ProductRole Role, string Ingredient, decimal? StrengthPercent, bool Combination, int? MinimumAgeYears = null);
