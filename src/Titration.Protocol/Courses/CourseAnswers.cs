using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>What clinicians answered to the communications of one course, by now.</summary>
internal sealed class CourseAnswers(List<AnswerFact> answers)
{
    public static CourseAnswers Of(Guid? course, ImmutableArray<AnswerFact> all, AsOf asOf)
    {
        List<AnswerFact> answers = [];
        foreach (AnswerFact answer in all)
        {
            if (answer.Course == course && answer.At <= asOf.Instant)
            {
                answers.Add(answer);
            }
        }

        answers.Sort((a, b) => a.At != b.At ? a.At.CompareTo(b.At) : string.CompareOrdinal(a.Source.Id, b.Source.Id));
        return new CourseAnswers(answers);
    }

    /// <summary>Approved proposals, oldest first.</summary>
    public List<AnswerFact> Approved { get; } = answers.FindAll(a => a is { Kind: CommunicationKind.StepChange, Answer: TaskAnswer.Approved });

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
    public bool InHand(CommunicationKind kind, string cause) => Holds(kind, cause, TaskAnswer.InHand);

    /// <summary>Whether somebody at the clinic cancelled the message of this kind and cause.</summary>
    public bool Cancelled(CommunicationKind kind, string cause) => Holds(kind, cause, TaskAnswer.Declined);

    private bool Holds(CommunicationKind kind, string cause, TaskAnswer said)
    {
        foreach (AnswerFact answer in answers)
        {
            if (answer.Kind == kind && answer.Cause == cause && answer.Answer == said)
            {
                return true;
            }
        }

        return false;
    }

    /// <summary>
    /// The rejection that keeps this outcome from being proposed: recent, and no finding and no sign of 2 or more reported since, which
    /// would change its grounds.
    /// </summary>
    public AnswerFact? RejectionOf(Outcome outcome, CourseTimeline course)
    {
        AnswerFact? rejected = null;
        foreach (AnswerFact answer in answers)
        {
            if (answer is { Kind: CommunicationKind.StepChange, Answer: TaskAnswer.Declined } && answer.Cause.StartsWith(CauseOf(outcome), StringComparison.Ordinal))
            {
                rejected = answer;
            }
        }

        return rejected is null || course.Today >= Until(rejected, course) || GroundsChanged(course, rejected.At) ? null : rejected;
    }

    private static bool GroundsChanged(CourseTimeline course, DateTimeOffset since) =>
        course.Days.Any(d => d.Worst >= Grade.Moderate && d.WorstAt > since) || course.Findings.Any(f => f.At > since);

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
