using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Supply;

namespace Titration.Protocol.Rules;

/// <summary>Rule 11: how long the tube lasts, and use under the plan. Over-use is a question for a clinician and stands with the reviews.</summary>
internal static class Supply
{
    /// <summary>Nights of the step to be reported before too little use is noted: fewer say nothing of a habit.</summary>
    private const int NightsReported = 7;

    /// <summary>Notes what lasts how long, and reminds the patient of the next fill before the first one can be used up.</summary>
    public static void Speak(CourseTimeline course, Voices voices)
    {
        if (course.Supply is not { } supply)
        {
            return;
        }

        // It stands beside the other reasons and is none against a step up.
        voices.Say(RuleIds.Supply, Outcome.StepUp, TextOf(course, supply), supply.Evidence);
        bool paused = course.WithheldSince is not null || course.Orders.State == OrderState.OnHold;
        if (supply.EarliestRunOut is { } runOut && !paused)
        {
            DateOnly from = runOut.AddDays(-course.Protocol.Supply.ReminderDaysBefore);
            voices.LookOn(from);
            if (course.Today >= from)
            {
                voices.Tell(Intents.RepeatReminder(course, supply.Newest.Source.Id, runOut, supply.Evidence));
            }
        }
    }

    /// <summary>
    /// Shut where the reported applications on the step are under the plan times the limit, once a week of its nights was reported. Nobody is
    /// told; null: there is nothing to note.
    /// </summary>
    public static Gate? UnderUse(CourseTimeline course, StepSegment segment)
    {
        Exposure exposure = course.OnStep;
        decimal limit = course.Protocol.Supply.UnderUse;
        return exposure.Nights >= NightsReported && exposure.Applied < limit * exposure.Planned
            ? new Gate(
                RuleIds.UnderUse, false,
                $"{exposure.Applied:0.##} applications of {exposure.Planned:0.##} planned, under {limit:0.##} times the plan",
                [segment.Order.Source, .. course.ReportsOnStep.Select(r => r.Source)], null)
            : null;
    }

    private static string TextOf(CourseTimeline course, SupplyPosition supply)
    {
        return $"{supply.Applied:0.###} g applied by {course.Today:O}, unreported nights as planned; "
            + $"of {supply.FirstFills:0.###} g dispensed with the first fill of each order, used up {On(supply.EarliestRunOut)}, "
            + $"and {supply.AllFills:0.###} g with every repeat, used up {On(supply.LatestRunOut)} (assumed from the orders){DaysCovered(course)}";

        static string On(DateOnly? runOut) => runOut is { } date ? $"on {date:O}" : "on no date in sight";
    }

    /// <summary>The proportion of days covered up to today by the first fill of each order; nothing where an order's dosage is not known.</summary>
    private static string DaysCovered(CourseTimeline course)
    {
        List<Fill> fills = [];
        foreach (OrderedSupply order in course.Dispensed)
        {
            if (order.FirstFill is { } fill)
            {
                fills.Add(fill);
            }
        }

        DaysOfPeriod covered = Adherence.ProportionOfDaysCovered(fills, DateOnly.MinValue, course.Today);
        return fills.Count == course.Dispensed.Length && covered.Ratio is { } ratio
            ? $"; by first fills {covered.Days} of {covered.PeriodDays} days covered (PDC {100m * ratio:0.#} %)"
            : "";
    }
}
