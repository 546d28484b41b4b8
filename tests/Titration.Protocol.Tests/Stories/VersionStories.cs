using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;
using static Titration.Protocol.Tests.Stories.Expect;

namespace Titration.Protocol.Tests.Stories;

/// <summary>Late, amended, withdrawn and contradicting versions.</summary>
public sealed class VersionStories
{
    [Fact]
    public void A_bad_report_that_arrives_late_counts_from_when_it_was_so()
    {
        Story story = Ready();
        Assert.Equal(Outcome.StepUp, story.AsOf("2026-03-15T10:00").Outcome);

        story.CheckIn("2026-03-11T19:00", "3000", recorded: "2026-03-15T11:00");
        story.AsOf("2026-03-15T12:00").Decides(Outcome.Withhold, "severe-irritation");
    }

    [Fact]
    public void An_amended_check_in_replaces_the_older_version_in_whatever_order_they_arrive()
    {
        Story story = Ready().CheckIn("2026-03-12T19:00", "1000", id: "c", version: "2", recorded: "2026-03-12T21:00")
            .CheckIn("2026-03-12T19:00", "3000", id: "c");

        Assert.Equal(Outcome.StepUp, story.AsOf("2026-03-15T10:00").Outcome);
    }

    [Fact]
    public void A_withdrawn_check_in_no_longer_counts()
    {
        Story story = Ready().CheckIn("2026-03-12T19:00", "3000", id: "c")
            .CheckIn("2026-03-12T19:00", "3000", id: "c", version: "2", recorded: "2026-03-13T09:00", status: ObservationStatus.Removed);

        Assert.Equal(Outcome.StepUp, story.AsOf("2026-03-15T10:00").Outcome);
    }

    [Fact]
    public void A_withdrawn_good_check_in_takes_the_step_up_with_it()
    {
        Story story = Ready().CheckIn("2026-03-14T19:00", applied: 4, id: "obs2", version: "2", recorded: "2026-03-15T09:00", status: ObservationStatus.Removed);

        Assert.Equal(Outcome.AwaitCheckIn, story.AsOf("2026-03-15T10:00").Outcome);
    }

    [Fact]
    public void A_preliminary_report_waits_until_it_is_final()
    {
        Story story = Ready().CheckIn("2026-03-12T19:00", "3000", id: "c", status: ObservationStatus.Waits);
        Assert.Equal(Outcome.StepUp, story.AsOf("2026-03-15T10:00").Outcome);

        story.CheckIn("2026-03-12T19:00", "3000", id: "c", version: "2", recorded: "2026-03-15T11:00");
        Assert.Equal(Outcome.Withhold, story.AsOf("2026-03-15T12:00").Outcome);
    }

    [Theory]
    [InlineData(true)]
    [InlineData(false)]
    public void Of_versions_that_cannot_be_ordered_the_more_cautious_stands_and_is_reviewed(bool sameVersionId)
    {
        Evaluation evaluation = Ready().CheckIn("2026-03-15T09:00", "0000", id: "c").Again(c => c with
        {
            Source = c.Source with { VersionId = sameVersionId ? c.Source.VersionId : "2", ContentHash = "0another" },
            Statements = Grades("0200"),
        }).AsOf("2026-03-15T10:00");

        evaluation.Decides(Outcome.RequestReview, "tied-versions");
        Assert.True(evaluation.Gives("recent-moderate-irritation", Outcome.Maintain));
    }

    [Fact]
    public void A_version_without_a_date_of_its_own_is_tied_with_every_other()
    {
        Evaluation evaluation = Ready().CheckIn("2026-03-15T09:00", "0300", id: "c").Again(c => c with
        {
            Source = c.Source with { VersionId = "2", LastUpdated = null, ContentHash = "undated" },
            Statements = Grades("0000"),
        }).AsOf("2026-03-15T10:00");

        evaluation.Decides(Outcome.Withhold, "severe-irritation");
        Assert.True(evaluation.Gives("tied-versions", Outcome.RequestReview));
    }

    [Fact]
    public void Tied_versions_of_an_order_take_the_least_treatment()
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00", perDays: 1).Order("2026-03-01T10:00", perDays: 2, status: PrescriptionStatus.OnHold)
            .AsOf("2026-03-02T10:00");

        Assert.Equal(Outcome.Withhold, evaluation.Outcome);
        Assert.True(evaluation.Gives("tied-versions", Outcome.RequestReview));
    }

    [Fact]
    public void The_same_delivery_twice_changes_nothing()
    {
        Story story = Ready();
        Evaluation once = story.AsOf("2026-03-15T10:00");
        foreach (Fact fact in story.Facts)
        {
            story.With(fact);
        }

        Assert.Equal(Canonical.Of([once]), Canonical.Of([story.AsOf("2026-03-15T10:00")]));
    }
}
