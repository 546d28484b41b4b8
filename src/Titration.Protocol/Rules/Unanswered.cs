using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;

namespace Titration.Protocol.Rules;

/// <summary>
/// What waits for an answer beyond its due time: the prescriber is reminded, then the task is the pool's. All of it counts from the due time,
/// so that it does not matter who looks when.
/// </summary>
internal static class Unanswered
{
    /// <summary>Adds the reminders and marks what is overdue.</summary>
    /// <param name="communications">What should stand; changed in place.</param>
    /// <param name="answers">What clinicians answered by now.</param>
    /// <param name="protocol">The protocol.</param>
    /// <param name="asOf">Now.</param>
    /// <param name="lookAt">Told when to look again.</param>
    public static void Follow(
        List<CommunicationIntent> communications, CourseAnswers answers, ProtocolDefinition protocol, DateTimeOffset asOf, Action<DateTimeOffset> lookAt)
    {
        for (int i = communications.Count - 1; i >= 0; i--)
        {
            CommunicationIntent intent = communications[i];
            if (intent is not { HasTask: true, Due: { } due, Audience: not Audience.Clinic } || answers.AnsweredAt(intent.Kind, intent.Cause) is not null)
            {
                continue;
            }

            // Who has a routine task in hand need not be reminded of it. What is urgent is done or it is not.
            bool inHand = answers.InHand(intent.Kind, intent.Cause);
            if (inHand && intent.Priority == Priority.Routine)
            {
                continue;
            }

            DateTimeOffset pool = due + PoolAfter(intent.Priority, protocol.Deadlines);
            lookAt(due);
            lookAt(pool);
            if (asOf >= pool)
            {
                communications[i] = intent with { Overdue = true };
            }
            else if (asOf >= due && !inHand)
            {
                communications.Add(Intents.Reminder(intent, pool));
            }
        }
    }

    private static TimeSpan PoolAfter(Priority priority, TaskDeadlines deadlines) => priority switch
    {
        Priority.Stat => TimeSpan.FromHours(deadlines.PoolAfterStatHours),
        Priority.Urgent => TimeSpan.FromHours(deadlines.PoolAfterUrgentHours),
        Priority.Routine => TimeSpan.FromDays(deadlines.PoolAfterRoutineDays),
    };
}
