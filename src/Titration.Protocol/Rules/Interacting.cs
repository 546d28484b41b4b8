using Titration.Protocol.Courses;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>
/// A topical that adds irritation, newly prescribed: the clinician is told, and nothing goes up until the skin has settled with it.
/// One that is older than the course, or part of the product, is only noted.
/// </summary>
internal static class Interacting
{
    public static void AddGates(List<Gate> gates, CourseTimeline course, StepSegment segment, Voices voices)
    {
        foreach (OtherOrder other in course.OtherOrders)
        {
            DateOnly began = other.BeganOn(course.AsOf.Zone);
            string ingredient = other.Order.Product.Ingredient;
            if (other.Order.Product.Role != ProductRole.Interacting)
            {
                continue;
            }

            if (began < course.Day0)
            {
                gates.Add(new Gate(
                    RuleIds.Interacting, true, $"{ingredient} since {began:O} is older than the course: only noted", [other.Order.Source], segment.Since));
                continue;
            }

            DateOnly opens = began.AddDays(course.Protocol.Severity.InteractingDays);
            voices.LookOn(opens);
            DayReport? settled = Settled(course, began);
            bool open = course.Today >= opens && settled is not null;
            gates.Add(new Gate(
                RuleIds.Interacting, open,
                $"{ingredient} since {began:O}: {course.Protocol.Severity.InteractingDays} days and a complete check-in "
                + $"{course.Protocol.StepUp.EvidenceAfterDays} or more days after it with nothing above 1 are needed",
                [other.Order.Source, .. settled?.Evidence ?? []],
                open ? opens > segment.Since ? opens : segment.Since : null));
        }

        if (segment.Order.Product.PartOfCombination)
        {
            gates.Add(new Gate(
                RuleIds.Interacting, true, "the product itself holds another active ingredient: only noted", [segment.Order.Source], segment.Since));
        }
    }

    public static void Speak(CourseTimeline course, Voices voices)
    {
        foreach (OtherOrder other in course.OtherOrders)
        {
            if (other.Order.Product.Role == ProductRole.Interacting && other.Until is null && other.BeganOn(course.AsOf.Zone) >= course.Day0)
            {
                voices.Tell(Intents.InteractingTopical(course, other.Order, other.From));
            }
        }
    }

    private static DayReport? Settled(CourseTimeline course, DateOnly began)
    {
        DateOnly from = began.AddDays(course.Protocol.StepUp.EvidenceAfterDays);
        foreach (DayReport day in course.Days)
        {
            if (day.Date >= from && day.IsCompleteAndMild)
            {
                return day;
            }
        }

        return null;
    }
}
