using Titration.Protocol.Courses;

namespace Titration.Protocol.Rules;

/// <summary>
/// Applications reported in nights in which nothing was to be applied: no exposure, and the clinician is told. Only those that cannot have
/// been in the report's other nights are certain.
/// </summary>
internal static class AppliedWhileWithheld
{
    public static void Speak(CourseTimeline course, Voices voices)
    {
        foreach (NightReport report in course.ReportsOnStep)
        {
            if (report.CountsMissed)
            {
                continue;
            }

            int allowed = report.Nights - course.WithheldNights(report.From, report.Until);
            int applied = Math.Min(report.Count, report.Nights);
            if (applied > allowed)
            {
                voices.Tell(Intents.AppliedWhileWithheld(course, report, applied - allowed));
            }
        }
    }
}
