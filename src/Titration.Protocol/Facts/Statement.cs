using System.Text.Json.Serialization;

namespace Titration.Protocol.Facts;

/// <summary>One thing an observation says. What it does not say is absent: a missing grade is never 0.</summary>
[JsonPolymorphic(TypeDiscriminatorPropertyName = "says")]
[JsonDerivedType(typeof(Graded), "grade")]
[JsonDerivedType(typeof(NightsApplied), "nights-applied")]
[JsonDerivedType(typeof(ApplicationsMissed), "missed-applications")]
[JsonDerivedType(typeof(FindingReported), "finding")]
[JsonDerivedType(typeof(ProcedurePlanned), "procedure-planned")]
[JsonDerivedType(typeof(Recovered), "recovered")]
[JsonDerivedType(typeof(EffectSeen), "effect")]
[JsonDerivedType(typeof(FollowUp), "follow-up")]
public abstract record Statement
{
    private Statement()
    {
    }

    /// <summary>A sign has this grade.</summary>
    public sealed record Graded(Sign Sign, Grade Grade) : Statement;

    /// <summary>Nights on which the product was applied since the last reporting check-in, or in the observation's period.</summary>
    public sealed record NightsApplied(int Nights) : Statement;

    /// <summary>Planned applications that were left out over the same time.</summary>
    public sealed record ApplicationsMissed(int Applications) : Statement;

    /// <summary>A finding is there, or (<paramref name="Present"/> false) is not there any more.</summary>
    public sealed record FindingReported(FindingKind Kind, bool Present) : Statement;

    /// <summary>A procedure on the treated area is planned for this date.</summary>
    public sealed record ProcedurePlanned(DateOnly Date) : Statement;

    /// <summary>The skin has recovered (or, false, has not). Clears the earlier findings that its performer may clear.</summary>
    public sealed record Recovered(bool Yes) : Statement;

    /// <summary>How much effect is seen.</summary>
    public sealed record EffectSeen(Effect Effect) : Statement;

    /// <summary>A clinician starts or ends following of this patient, where the clinic follows enrolled patients only.</summary>
    public sealed record FollowUp(bool Yes) : Statement;
}
