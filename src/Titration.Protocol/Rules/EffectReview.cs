using Titration.Protocol.Courses;

namespace Titration.Protocol.Rules;

/// <summary>
/// At twelve weeks on a strength somebody asks what it has done (NICE NG198 reviews at 12 weeks). A communication, never an outcome:
/// it holds nothing up.
/// </summary>
internal static class EffectReview
{
    public static void Speak(CourseTimeline course, Voices voices)
    {
        DateOnly from = StrengthGate.StrengthSince(course).AddDays(course.Protocol.Strength.EffectReviewDay);
        voices.LookOn(from);
        if (course.Today >= from && !course.Effects.Any(e => e.Date >= from))
        {
            voices.Tell(Intents.EffectReview(course, from));
        }
    }
}
