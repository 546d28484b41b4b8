using System.Collections.Immutable;
using Titration.Protocol.Courses;
using Titration.Protocol.Doses;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests.Doses;

/// <summary>What a course comes to in numbers, by hand: plain arithmetic on the plan and the reports.</summary>
public sealed class CourseFiguresTests
{
    private static CourseFigures FiguresOf(Story story, string at) =>
        Assert.Single(TitrationPolicy.Figures(new PatientHistory("p1", story.Facts), Story.Standard, new AsOf(story.Local(at), story.Zone)));

    [Fact]
    public void Amounts_add_up_over_steps_of_two_strengths()
    {
        // 20 nights of 0.25 g at 0.025 % are 5 g and 1.25 mg; 10 nights of it at 0.05 % are 2.5 g and 1.25 mg.
        Story story = new Story().Order("2026-03-01T10:00", perDays: 1, tube: 10m).Order("2026-03-21T10:00", "rx2", perDays: 1, strength: 0.05m, tube: 10m);

        CourseFigures figures = FiguresOf(story, "2026-03-31T12:00");

        Assert.Equal((1.75m, 0.875m, 7.5m, 2.5m), (figures.GramsPerWeek, figures.ActiveMilligramsPerWeek, figures.GramsApplied, figures.ActiveMilligramsApplied));
        Assert.Equal(new DateOnly(2026, 5, 20), figures.UsedUpAtEarliest); // 20 g less 7.5 g are 50 nights more
    }

    [Fact]
    public void Each_step_ahead_has_its_earliest_date()
    {
        ImmutableArray<ProjectedStep> ahead = FiguresOf(new Story().Order("2026-03-01T10:00"), "2026-03-02T12:00").Ahead;

        Assert.Equal(
            [(new DateOnly(2026, 3, 15), 7m, 0.25m), (new DateOnly(2026, 3, 29), 7m, 0.5m)],
            ahead.Take(2).Select(a => (a.Earliest, a.Step.Frequency.NightsPerWeek, a.Step.GramsPerApplication)));
        Assert.Equal(new DateOnly(2026, 5, 30), ahead[2].Earliest); // 90 days on the strength
    }

    [Fact]
    public void While_the_product_is_left_out_nothing_is_foreseen_and_nothing_is_used()
    {
        CourseFigures figures = FiguresOf(
            new Story().Order("2026-03-01T10:00", perDays: 1, tube: 10m).Finding("2026-03-11T09:00", FindingKind.EczemaFlare), "2026-03-21T12:00");

        Assert.Empty(figures.Ahead);
        Assert.Equal(2.5m, figures.GramsApplied);
    }

    [Fact]
    public void An_ended_course_keeps_what_was_applied()
    {
        CourseFigures figures = FiguresOf(
            new Story().Order("2026-03-01T10:00", perDays: 1, tube: 10m)
                .Order("2026-03-01T10:00", perDays: 1, tube: 10m, status: PrescriptionStatus.Ended, recorded: "2026-03-11T09:00"),
            "2026-03-31T12:00");

        Assert.Null(figures.GramsPerWeek);
        Assert.Empty(figures.Ahead);
        Assert.Equal(2.5m, figures.GramsApplied);
    }
}
