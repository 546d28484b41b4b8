using System.Collections.Immutable;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Rules;
using Titration.Protocol.Supply;

namespace Titration.Protocol.Doses;

/// <summary>
/// What a course comes to in numbers: for people to read, no rule looks at it. Grams are of product, milligrams of active ingredient; nights
/// that nobody reported count as planned, withheld ones as none.
/// </summary>
public sealed record CourseFigures
{
    public required Course Course { get; init; }

    /// <summary>Grams of product a week on the step in force, as planned; null where none is.</summary>
    public required decimal? GramsPerWeek { get; init; }

    /// <summary>Milligrams of active ingredient a week on the step in force, as planned; null where none is.</summary>
    public required decimal? ActiveMilligramsPerWeek { get; init; }

    /// <summary>Grams applied from day 0 to yesterday.</summary>
    public required decimal GramsApplied { get; init; }

    /// <summary>Milligrams of active ingredient applied from day 0 to yesterday, each night by the strength of its step.</summary>
    public required decimal ActiveMilligramsApplied { get; init; }

    /// <summary>First night without product where only the first fill of each order was dispensed; null where that cannot be said.</summary>
    public required DateOnly? UsedUpAtEarliest { get; init; }

    /// <summary>First night without product where every repeat was dispensed; null where that cannot be said.</summary>
    public required DateOnly? UsedUpAtLatest { get; init; }

    /// <summary>The steps that remain, each with the earliest date on which it could begin; empty while nothing is to be applied.</summary>
    public required ImmutableArray<ProjectedStep> Ahead { get; init; }

    /// <summary>Of a timeline whose withheld nights are known.</summary>
    internal static CourseFigures Of(CourseTimeline course)
    {
        Step? step = course.Orders.State == OrderState.InForce ? course.Segment?.Step : null;
        List<NightlyUse> applied = course.Orders.Segments.Length > 0 ? [.. NightlyUse.Of(course)] : [];
        return new CourseFigures
        {
            Course = course.Course,
            GramsPerWeek = step?.WeeklyGrams,
            ActiveMilligramsPerWeek = step?.WeeklyActiveMilligrams,
            GramsApplied = applied.Sum(u => u.GramsIn(u.NightsBefore(course.Today))),
            ActiveMilligramsApplied = applied.Sum(u => DoseAmounts.ActiveMilligrams(u.GramsIn(u.NightsBefore(course.Today)), u.Step.StrengthPercent)),
            UsedUpAtEarliest = course.Supply?.EarliestRunOut,
            UsedUpAtLatest = course.Supply?.LatestRunOut,
            Ahead = step is null || course.WithheldSince is not null ? [] : AheadOf(course, course.Segment!),
        };
    }

    private static ImmutableArray<ProjectedStep> AheadOf(CourseTimeline course, StepSegment segment)
    {
        DateOnly strengthSince = StrengthGate.StrengthSince(course);
        LadderPosition position = new(
            new StepInForce(segment.Step, segment.Since), strengthSince, course.WithheldNights(segment.Since, course.Today),
            course.WithheldNights(strengthSince, course.Today));
        return LadderProjection.Of(position, course.Product, course.Protocol, course.Cautious, course.Today);
    }
}
