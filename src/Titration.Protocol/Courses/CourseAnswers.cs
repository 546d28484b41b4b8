using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>What clinicians answered to the communications of one course, by now.</summary>
internal sealed class CourseAnswers(List<AnswerFact> answers)
{
    public static CourseAnswers Of(Guid? course, IEnumerable<AnswerFact> all, AsOf asOf) =>
        new([.. all.Where(a => a.Course == course && a.At <= asOf.Instant).OrderBy(a => a.At)]);

    /// <summary>Approved proposals, oldest first.</summary>
    public IEnumerable<AnswerFact> Approved => answers.Where(a => a is { Kind: CommunicationKind.StepChange, Answer: TaskAnswer.Approved });

    /// <summary>
    /// When the task of the communication of this kind and cause was answered, in whatever way; null: it was not. A message that somebody
    /// cancelled answers no task.
    /// </summary>
    public DateTimeOffset? AnsweredAt(CommunicationKind kind, string cause)
    {
        foreach (AnswerFact answer in answers)
        {
            if (answer.Kind == kind && answer.Cause == cause && answer.Answer != TaskAnswer.InHand && answer.Source.Type == "Task")
            {
                return answer.At;
            }
        }

        return null;
    }

    /// <summary>Whether somebody works on the task of the communication of this kind and cause.</summary>
    public bool InHand(CommunicationKind kind, string cause) =>
        answers.Exists(a => a.Kind == kind && a.Cause == cause && a.Answer == TaskAnswer.InHand);

    /// <summary>Whether somebody at the clinic cancelled the message of this kind and cause.</summary>
    public bool Cancelled(CommunicationKind kind, string cause) =>
        answers.Exists(a => a.Kind == kind && a.Cause == cause && a.Answer == TaskAnswer.Declined);

    /// <summary>
    /// The rejection that keeps this outcome from being proposed: recent, and no finding and no sign of 2 or more reported since, which
    /// would change its grounds.
    /// </summary>
    public AnswerFact? RejectionOf(Outcome outcome, CourseTimeline course)
    {
        AnswerFact? rejected = answers.FindLast(a =>
            a is { Kind: CommunicationKind.StepChange, Answer: TaskAnswer.Declined } && a.Cause.StartsWith(CauseOf(outcome), StringComparison.Ordinal));
        if (rejected is null || course.Today >= Until(rejected, course))
        {
            return null;
        }

        bool changed = course.Days.Any(d => d.Worst >= Grade.Moderate && d.WorstAt > rejected.At) || course.Findings.Any(f => f.At > rejected.At);
        return changed ? null : rejected;
    }

    /// <summary>First date on which a rejected proposal may be made again.</summary>
    public static DateOnly Until(AnswerFact rejected, CourseTimeline course) =>
        ClinicZone.DateOf(rejected.At, course.AsOf.Zone).AddDays(course.Protocol.Deadlines.RejectionDays);

    /// <summary>How the causes of proposals of this outcome begin.</summary>
    public static string CauseOf(Outcome outcome) => outcome switch
    {
        Outcome.StepUp => "step-up:",
        Outcome.StepDown => "step-down:",
        Outcome.Resume => "resume:",
        _ => throw new System.Diagnostics.UnreachableException($"{outcome} proposes no step."),
    };
}
