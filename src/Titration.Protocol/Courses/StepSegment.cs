using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>A stretch of nights on one step.</summary>
/// <param name="Step">The dosage; its barrier support is filled in by the course.</param>
/// <param name="Since">Day 0: the first night.</param>
/// <param name="OrderedAt">When it was ordered: grounds before it are what the order answered.</param>
/// <param name="NewDosage">False where the same order came back after a long hold: the prescriber ordered nothing new.</param>
/// <param name="Order">The version that ordered it.</param>
internal sealed record StepSegment(Step Step, DateOnly Since, DateTimeOffset OrderedAt, bool NewDosage, PrescriptionFact Order);

/// <summary>Nights on which nothing was ordered to be applied.</summary>
/// <param name="From">First such night.</param>
/// <param name="Until">First night after it; null: it goes on.</param>
internal sealed record Pause(DateOnly From, DateOnly? Until);

/// <summary>Where a course's orders stand at an instant.</summary>
internal enum OrderState
{
    NotBegun,
    InForce,
    OnHold,
    Ended,
}
