using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;

namespace Titration.Protocol.Rules;

/// <summary>
/// Rule 6: no usable check-in when one is due. Everything counts from the due date, never from when something was sent, so what stands
/// is the same whoever looks and whenever.
/// </summary>
internal static class Silence
{
    public static void Speak(CourseTimeline course, StepUpCase steppingUp, Voices voices)
    {
        StepSegment segment = course.Segment!;
        CheckInSchedule schedule = course.Protocol.CheckIns;
        DayReport? newest = course.NewestComplete();
        DateOnly due = DueDate(course, segment, steppingUp, newest, voices);
        DateOnly second = due.AddDays(schedule.SecondRequestAfterDays);
        DateOnly task = due.AddDays(schedule.ClinicTaskAfterDays);
        voices.LookOn(due);
        voices.LookOn(second);
        voices.LookOn(task);
        if (course.Today < due)
        {
            return;
        }

        string last = newest is null ? "none so far" : $"the last complete one is of {newest.Date:O}";
        voices.Say(RuleIds.Silence, Outcome.AwaitCheckIn, $"a complete check-in is due since {due:O}, {last}", newest?.Evidence ?? []);
        if (!Cancelled(course, due))
        {
            voices.Tell(Intents.CheckInRequest(course, due, second: course.Today >= second));
        }

        if (course.Today >= task)
        {
            voices.Tell(Intents.SilentTask(course, due));
        }
    }

    private static DateOnly DueDate(CourseTimeline course, StepSegment segment, StepUpCase steppingUp, DayReport? newest, Voices voices)
    {
        CheckInSchedule schedule = course.Protocol.CheckIns;
        bool withheld = course.WithheldSince is not null || course.Orders.State == OrderState.OnHold;
        bool settled = !withheld && StrengthGate.Settled(course, segment, voices);
        DateOnly last = newest is not null && newest.Date > segment.Since ? newest.Date : segment.Since;
        DateOnly due = last.AddDays(settled ? schedule.AtTopStepEveryDays : schedule.EveryDays);
        if (Severity.NewestModerate(course) is { } moderate && Severity.EarlierModerate(course, moderate) is null)
        {
            due = Earlier(due, course.Days[moderate].Date.AddDays(schedule.AfterModerateDays));
        }

        if (!withheld && steppingUp.LacksOnlyEvidence && voices.Lowest() is null)
        {
            // A check-in that proves nothing is followed by the next request, never by one dated back.
            DateOnly since = steppingUp.LacksEvidenceSince;
            due = Earlier(due, newest?.Date > since ? newest.Date : since);
        }

        return due;
    }

    /// <summary>Somebody at the clinic cancelled a text of this due date: it knows of another way, and the task stands in any case.</summary>
    private static bool Cancelled(CourseTimeline course, DateOnly due) =>
        course.Answers.Cancelled(CommunicationKind.CheckInRequest, Intents.CheckInCause(due, second: false))
        || course.Answers.Cancelled(CommunicationKind.CheckInRequest, Intents.CheckInCause(due, second: true));

    private static DateOnly Earlier(DateOnly a, DateOnly b) => b < a ? b : a;
}
