using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;
using static Titration.Protocol.Tests.Stories.Expect;

namespace Titration.Protocol.Tests.Stories;

/// <summary>Rule 6: ask, ask again, tell the clinic; never step up on silence. The days are common practice, no source.</summary>
public sealed class SilenceStories
{
    [Fact]
    public void A_new_course_is_asked_for_its_first_check_in_after_7_days()
    {
        Story story = new Story().Order("2026-03-01T10:00");
        Evaluation before = story.AsOf("2026-03-07T23:59");
        Assert.Equal(Outcome.Maintain, before.Outcome);
        Assert.Equal(story.Local("2026-03-08"), before.NextLook);

        Evaluation due = story.AsOf("2026-03-08");
        due.Decides(Outcome.AwaitCheckIn, "silence");
        Assert.Equal("check-in-first", due.The(CommunicationKind.CheckInRequest).Template);
        Assert.Equal(Audience.Patient, due.The(CommunicationKind.CheckInRequest).Audience);
        Assert.Equal(story.Local("2026-03-11"), due.NextLook);
    }

    [Theory]
    [InlineData("2026-03-10T23:59", "check-in-first", false)]
    [InlineData("2026-03-11T00:00", "check-in-second", false)]
    [InlineData("2026-03-14T23:59", "check-in-second", false)]
    [InlineData("2026-03-15T00:00", "check-in-second", true)]
    public void A_second_text_replaces_the_first_after_3_days_and_the_clinic_gets_a_task_after_7(string at, string template, bool task)
    {
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").AsOf(at);

        Assert.Equal(template, evaluation.The(CommunicationKind.CheckInRequest).Template);
        Assert.Equal(task, evaluation.Has(CommunicationKind.ClinicTask));
        Assert.Equal(Outcome.AwaitCheckIn, evaluation.Outcome);
    }

    [Theory]
    [InlineData("2026-03-29T12:00")]
    [InlineData("2026-06-29T12:00")]
    public void However_long_the_silence_it_never_steps_up(string at)
    {
        Evaluation evaluation = Ready().AsOf(at);

        Assert.Equal(Outcome.AwaitCheckIn, evaluation.Outcome);
        Assert.False(evaluation.Has(CommunicationKind.StepChange));
    }

    [Theory]
    [InlineData("0000", Outcome.Maintain)]
    [InlineData("000.", Outcome.AwaitCheckIn)]
    public void Only_a_complete_check_in_ends_the_asking(string grades, Outcome outcome) =>
        Assert.Equal(outcome, new Story().Order("2026-03-01T10:00").CheckIn("2026-03-09T19:00", grades).AsOf("2026-03-09T20:00").Outcome);

    [Fact]
    public void A_check_in_moves_the_next_one_to_7_days_after_it()
    {
        Story story = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-05T19:00");

        Assert.Equal(Outcome.Maintain, story.AsOf("2026-03-11T23:59").Outcome);
        Assert.Equal(Outcome.AwaitCheckIn, story.AsOf("2026-03-12").Outcome);
    }

    [Fact]
    public void A_new_step_moves_the_next_check_in_to_7_days_after_its_first_night()
    {
        Story story = Ready().Order("2026-03-01T10:00", perDays: 1, recorded: "2026-03-17T10:00");

        Assert.Equal(Outcome.Maintain, story.AsOf("2026-03-23T23:59").Outcome);
        Assert.Equal(Outcome.AwaitCheckIn, story.AsOf("2026-03-24").Outcome);
    }

    [Fact]
    public void While_withheld_a_check_in_is_asked_for_every_7_days_beside_the_withhold()
    {
        Story story = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-08T19:00", applied: 3).Finding("2026-03-10T09:00", FindingKind.Sunburn);
        Assert.False(story.AsOf("2026-03-14T12:00").Has(CommunicationKind.CheckInRequest));

        Evaluation evaluation = story.AsOf("2026-03-15T12:00");
        Assert.Equal(Outcome.Withhold, evaluation.Outcome);
        Assert.True(evaluation.Has(CommunicationKind.CheckInRequest));
    }

    [Fact]
    public void Once_the_top_step_has_been_tolerated_for_28_days_a_check_in_is_due_every_28()
    {
        Story story = new Story().Order("2026-03-01T10:00", perDays: 1, grams: 0.5m).CheckInsEvery(7, "2026-03-08", "2026-03-29", applied: 7);

        Assert.Equal(Outcome.Maintain, story.AsOf("2026-04-25T12:00").Outcome);
        Assert.Equal(Outcome.AwaitCheckIn, story.AsOf("2026-04-26").Outcome);
    }

    [Fact]
    public void Trouble_on_the_tolerated_top_step_brings_the_check_ins_closer_again()
    {
        Story story = new Story().Order("2026-03-01T10:00", perDays: 1, grams: 0.5m).CheckInsEvery(7, "2026-03-08", "2026-03-29", applied: 7)
            .CheckIn("2026-04-02T19:00", "0200", applied: 4);

        Assert.Equal(Outcome.AwaitCheckIn, story.AsOf("2026-04-06").Outcome);
    }

    [Theory]
    [InlineData("2026-03-16T12:00", "check-in-first", false)]
    [InlineData("2026-03-19T12:00", "check-in-second", false)]
    [InlineData("2026-03-25T12:00", "check-in-second", true)]
    public void A_check_in_after_a_week_without_applications_proves_nothing_and_asking_does_not_begin_again(string at, string template, bool task)
    {
        // The evidence of 8 March holds until the 15th; nothing but evidence is lacking from the 16th on.
        Evaluation evaluation = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-08T19:00", applied: 7)
            .CheckIn("2026-03-15T19:00", applied: 0).AsOf(at);

        Assert.Equal("due:2026-03-16", evaluation.The(CommunicationKind.CheckInRequest).Cause[..14]);
        Assert.Equal(template, evaluation.The(CommunicationKind.CheckInRequest).Template);
        Assert.Equal(task, evaluation.Has(CommunicationKind.ClinicTask));
    }

    [Fact]
    public void On_hold_the_due_date_stays_where_it_is()
    {
        // On hold on day 14 exactly: the days on the step stand still, and the check-in of 14 March was followed by one due on the 21st.
        Story story = Expect.Ready().Order("2026-03-01T10:00", status: PrescriptionStatus.OnHold, recorded: "2026-03-15T09:00");

        Assert.All(["2026-03-24T12:00", "2026-03-25T12:00", "2026-03-27T12:00"], at =>
            Assert.Equal("due:2026-03-21:second", story.AsOf(at).The(CommunicationKind.CheckInRequest).Cause));
    }

    [Fact]
    public void A_check_in_is_asked_for_at_once_when_fresh_evidence_is_all_that_a_step_up_lacks()
    {
        // Settled on the top step, check-ins every 28 days, 90 days reached on 30 May, more effect wanted: the last evidence is 13 days old.
        Story story = new Story().Order("2026-03-01T10:00", perDays: 1, grams: 0.5m).CheckInsEvery(7, "2026-03-08", "2026-05-17", applied: 7)
            .EffectSeen("2026-05-29T12:00", Effect.MoreWanted);

        Assert.Equal(Outcome.Maintain, story.AsOf("2026-05-29T13:00").Outcome);
        Evaluation evaluation = story.AsOf("2026-05-30");
        evaluation.Decides(Outcome.AwaitCheckIn, "silence");
        Assert.Contains("2026-05-30", evaluation.The(CommunicationKind.CheckInRequest).Cause, StringComparison.Ordinal);
        Assert.Equal("check-in-first", evaluation.The(CommunicationKind.CheckInRequest).Template);
    }
}
