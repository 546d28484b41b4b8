using System.Collections.Immutable;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;

namespace Titration.Protocol.Doses;

/// <summary>A step still to come, and the first date on which it could begin.</summary>
/// <param name="Step">What would be applied.</param>
/// <param name="Earliest">Clinic-local date of its first night, at the earliest: a projection, never a plan.</param>
public readonly record struct ProjectedStep(Step Step, DateOnly Earliest);

/// <summary>Where a course stands, as far as a projection needs it.</summary>
/// <param name="InForce">The step in force and its first night.</param>
/// <param name="StrengthSince">First night on the present strength; not after the step's.</param>
/// <param name="WithheldOnStep">Withheld nights of the step, 0 or more: they do not count.</param>
/// <param name="WithheldOnStrength">Withheld nights on the strength, those of the step included.</param>
public readonly record struct LadderPosition(StepInForce InForce, DateOnly StrengthSince, int WithheldOnStep = 0, int WithheldOnStrength = 0);

/// <summary>
/// The earliest dates of the steps that remain, if every check-in is clean, every application made and every proposal taken on its day. Each
/// needs the ladder's least days on the one before (14, cautious 21: common practice); a new strength 90 days on the present one, the last 28 of
/// them at its top step (protocol values, common practice), and a word that more effect is wanted, which is not foreseen here.
/// </summary>
public static class LadderProjection
{
    /// <summary>The steps above the one in force, in order; empty at the top, and where no step up is within one dimension and twice the weekly dose.</summary>
    /// <param name="position">Where the course stands.</param>
    /// <param name="product">Its product.</param>
    /// <param name="protocol">The clinic's protocol.</param>
    /// <param name="cautious">Whether the cautious ladder applies.</param>
    /// <param name="today">Clinic-local date: nothing begins before it.</param>
    public static ImmutableArray<ProjectedStep> Of(
        LadderPosition position, TitratedProduct product, ProtocolDefinition protocol, bool cautious, DateOnly today)
    {
        ArgumentNullException.ThrowIfNull(product);
        ArgumentNullException.ThrowIfNull(protocol);
        Ladder ladder = protocol.LadderFor(cautious);
        Regimen regimen = new(ladder, product.StrengthsPercent, protocol.StepUp.MaximumWeeklyDoseRatio);
        ImmutableArray<ProjectedStep>.Builder steps = ImmutableArray.CreateBuilder<ProjectedStep>();
        Step step = position.InForce.Step;
        DateOnly onStep = position.InForce.Since.AddDays(position.WithheldOnStep);
        DateOnly onStrength = position.StrengthSince.AddDays(position.WithheldOnStrength);
        while (regimen.Above(step) is { } next)
        {
            DateOnly earliest = Latest(today, onStep.AddDays(ladder.MinimumDaysOnStep));
            if (next.StrengthPercent > step.StrengthPercent)
            {
                earliest = Latest(earliest, onStrength.AddDays(protocol.Strength.MinimumDays));
                earliest = Latest(earliest, onStep.AddDays(protocol.Strength.ToleratedDays));
                onStrength = earliest;
            }

            steps.Add(new ProjectedStep(next, earliest));
            step = next;
            onStep = earliest;
        }

        return steps.ToImmutable();
    }

    private static DateOnly Latest(DateOnly a, DateOnly b) => a > b ? a : b;
}
