using Titration.Protocol.Decisions;

namespace Titration.Storage.Model;

/// <summary>A course as it stands: the result of its newest evaluation, kept for lists and for comparing.</summary>
public sealed class CourseRow
{
    public required Guid Id { get; init; }

    public required string Patient { get; init; }

    public required string Ingredient { get; init; }

    public required string Area { get; init; }

    /// <summary>Null where the course has ended or has not begun.</summary>
    public Outcome? Outcome { get; set; }

    /// <summary>The step in force as text, such as <c>0.025 % alternate nights, 0.25 g</c>; null where none is.</summary>
    public string? Step { get; set; }

    /// <summary>Day 0 of that step.</summary>
    public DateOnly? StepSince { get; set; }

    public DateTimeOffset? NextLook { get; set; }

    /// <summary>UTF-8 JSON of the newest evaluation.</summary>
    public required byte[] Evaluation { get; set; }

    public required DateTimeOffset EvaluatedAt { get; set; }

    public required string PolicyHash { get; set; }
}
