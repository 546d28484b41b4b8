using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests.Stories;

/// <summary>Rule 12: eyelids, neck, chest and upper lip are out of scope for a new course (common practice, no source).</summary>
public sealed class SensitiveAreaStories
{
    [Theory]
    [InlineData("41310005")] // upper eyelid
    [InlineData("43081002")] // neck
    [InlineData("74160004")] // chest
    [InlineData("16251004")] // upper lip
    public void Nothing_is_proposed_or_asked_for_a_sensitive_area(string area)
    {
        Story story = new Story().Order("2026-03-01T10:00", area: area, tube: 2.5m).CheckIn("2026-03-06T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4);
        foreach (string at in (string[])["2026-03-15T00:00", "2026-04-20T12:00", "2026-07-01T12:00"])
        {
            Evaluation evaluation = story.AsOf(at);

            evaluation.Decides(Outcome.Maintain, "sensitive-area");
            Assert.Empty(evaluation.Communications);
        }
    }

    [Fact]
    public void The_face_beside_it_is_titrated_as_ever() =>
        Assert.Equal([Outcome.Maintain, Outcome.StepUp], Expect.Ready().Order("2026-03-01T10:00", "rx2", area: "43081002").AllAsOf("2026-03-15T00:00").Select(e => e.Outcome).Order());

    [Theory]
    [InlineData(FindingKind.Hives, Outcome.Discontinue)]
    [InlineData(FindingKind.EczemaFlare, Outcome.Withhold)]
    public void A_finding_still_speaks_there(FindingKind finding, Outcome outcome)
    {
        Story story = new Story().Order("2026-03-01T10:00", area: "43081002").Finding("2026-03-05T09:00", finding);

        Assert.Equal(outcome, story.AsOf("2026-03-05T10:00").Outcome);
    }

    [Fact]
    public void Going_on_after_a_withhold_is_not_proposed_there() =>
        Assert.Equal(Outcome.Withhold, new Story().Order("2026-03-01T10:00", area: "43081002").Finding("2026-03-05T09:00", FindingKind.EczemaFlare)
            .Recovered("2026-03-08T09:00").CheckIn("2026-03-09T19:00").AsOf("2026-03-09T20:00").Outcome);

    [Fact]
    public void The_face_and_an_unnamed_area_are_no_sensitive_area() => Assert.False(Areas.IsSensitive(Areas.Face));
}
