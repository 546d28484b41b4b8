using Titration.Protocol.Courses;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests.Stories;

/// <summary>A course over time, as a reader gets it told.</summary>
public sealed class CourseRecordStories
{
    [Fact]
    public void Steps_follow_one_another_and_the_last_goes_on()
    {
        CourseRecord record = Of(new Story().Order("2026-03-01T10:00").Order("2026-03-20T10:00", id: "rx2", nights: 1, perDays: 1), "2026-04-01T08:00");

        Assert.Equal(
            ["0.025 % alternate nights, 0.25 g 2026-03-01 2026-03-20 rx1", "0.025 % nightly, 0.25 g 2026-03-20  rx2"],
            record.Steps.Select(s => $"{StepText.Of(s.Step)} {s.Since:yyyy-MM-dd} {s.Until:yyyy-MM-dd} {s.Order.Id}"));
    }

    [Fact]
    public void Reported_nights_are_told_with_what_was_planned_in_them()
    {
        CourseRecord record = Of(
            new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", applied: 3).CheckIn("2026-03-14T19:00", missed: 1), "2026-03-14T20:00");

        Assert.Equal(
            ["2026-03-06: 3 of 2.5 in 2026-03-01 to 2026-03-06", "2026-03-14: 3 of 4 in 2026-03-06 to 2026-03-14"],
            record.Nights.Select(n => FormattableString.Invariant($"{n.Date:yyyy-MM-dd}: {n.Applied:0.##} of {n.Planned:0.##} in {n.From:yyyy-MM-dd} to {n.Until:yyyy-MM-dd}")));
    }

    [Fact]
    public void Nights_on_hold_are_withheld_and_plan_nothing()
    {
        Story story = new Story().Order("2026-03-01T10:00")
            .Order("2026-03-01T10:00", status: PrescriptionStatus.OnHold, recorded: "2026-03-08T12:00")
            .Order("2026-03-01T10:00", recorded: "2026-03-11T12:00")
            .CheckIn("2026-03-15T19:00", applied: 4);

        CourseRecord record = Of(story, "2026-03-16T08:00");

        WithheldNights hold = Assert.Single(record.Withheld);
        Assert.Equal((new DateOnly(2026, 3, 8), new DateOnly(2026, 3, 11)), (hold.From, hold.Until));
        Assert.Equal(5.5m, Assert.Single(record.Nights).Planned);
    }

    [Fact]
    public void What_withholds_until_a_resume_is_one_stretch_that_goes_on()
    {
        CourseRecord record = Of(
            new Story().Order("2026-03-01T10:00").CheckIn("2026-03-10T19:00", "0300").Finding("2026-03-12T19:00", FindingKind.Sunburn), "2026-03-16T08:00");

        WithheldNights withheld = Assert.Single(record.Withheld);
        Assert.Equal((new DateOnly(2026, 3, 10), null), (withheld.From, withheld.Until));
        Assert.Equal(("sunburn", null), (Assert.Single(record.Findings).Code, record.Findings[0].ClearedOn));
    }

    [Fact]
    public void A_sign_that_nobody_graded_is_no_zero()
    {
        CourseRecord record = Of(new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", "01.0"), "2026-03-07T08:00");

        CheckInDay day = Assert.Single(record.CheckIns);
        Assert.Equal([Grade.None, Grade.Mild, null, Grade.None, null], day.Grades);
        Assert.False(day.IsComplete);
    }

    [Fact]
    public void Cautious_skin_has_barrier_support_from_its_first_step() => Assert.True(
        Assert.Single(Of(new Story().Finding("2026-02-20T10:00", FindingKind.Caution).Order("2026-03-01T10:00"), "2026-03-07T08:00").Steps).Step.Barrier);

    private static CourseRecord Of(Story story, string at) =>
        Assert.Single(TitrationPolicy.Records(new PatientHistory("p1", story.Facts), Story.Standard, new AsOf(story.Local(at), story.Zone)));
}
