using System.Collections.Immutable;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Communications;

/// <summary>A communication that stands: issued, and its grounds not gone.</summary>
/// <param name="Key">Its stable key: course, kind, cause and the decision that opened it.</param>
/// <param name="Kind">Its kind.</param>
/// <param name="Cause">Its cause.</param>
/// <param name="Overdue">Whether its task is the pool's by now.</param>
public sealed record StandingCommunication(Guid Key, CommunicationKind Kind, string Cause, bool Overdue = false);

/// <summary>A communication to issue.</summary>
/// <param name="Key">The key that it gets.</param>
/// <param name="Intent">What it says.</param>
/// <param name="Replaces">What is withdrawn for it; null: nothing.</param>
public sealed record NewCommunication(Guid Key, CommunicationIntent Intent, Guid? Replaces);

/// <summary>A communication to withdraw.</summary>
public sealed record GoneCommunication(StandingCommunication Communication, WithdrawalReason Reason);

/// <summary>The difference between what should stand and what does.</summary>
/// <param name="Issue">To issue.</param>
/// <param name="Withdraw">To withdraw.</param>
/// <param name="HandOver">Whose tasks go to the clinic's pool.</param>
public sealed record Reconciliation(
    ImmutableArray<NewCommunication> Issue, ImmutableArray<GoneCommunication> Withdraw, ImmutableArray<StandingCommunication> HandOver)
{
    public bool IsEmpty => Issue.IsEmpty && Withdraw.IsEmpty && HandOver.IsEmpty;

    /// <summary>
    /// Compares the evaluation with what stands of its course. Doing it twice changes nothing; grounds that went and came
    /// back are a new communication, since another decision opens it.
    /// </summary>
    /// <param name="standing">What stands of the course.</param>
    /// <param name="evaluation">What should stand.</param>
    /// <param name="decisionId">The decision that opens what is new.</param>
    /// <param name="added">The facts that just came in: they tell why something goes. It changes nothing about what goes.</param>
    public static Reconciliation Of(
        IReadOnlyCollection<StandingCommunication> standing, Evaluation evaluation, Guid decisionId, IReadOnlyCollection<Fact> added)
    {
        HashSet<(CommunicationKind, string)> stands = [.. standing.Select(s => (s.Kind, s.Cause))];
        ILookup<(CommunicationKind, string), CommunicationIntent> wanted = evaluation.Communications.ToLookup(i => (i.Kind, i.Cause));
        ImmutableArray<CommunicationIntent> issued = [.. evaluation.Communications.Where(i => !stands.Contains((i.Kind, i.Cause)))];
        ImmutableArray<(StandingCommunication Gone, CommunicationIntent? Successor)> gone =
            [.. standing.Where(s => !wanted.Contains((s.Kind, s.Cause))).Select(s => (s, SuccessorOf(s, issued)))];
        return new Reconciliation(
            [.. issued.Select(i => new NewCommunication(KeyOf(evaluation, i, decisionId), i, gone.FirstOrDefault(g => g.Successor == i).Gone?.Key))],
            [.. gone.Select(g => new GoneCommunication(g.Gone, ReasonOf(g.Gone, g.Successor is not null, evaluation, added)))],
            [.. standing.Where(s => !s.Overdue && wanted[(s.Kind, s.Cause)].Any(i => i.Overdue))]);
    }

    /// <summary>The stable key of a communication that this decision opens.</summary>
    public static Guid KeyOf(Evaluation evaluation, CommunicationIntent intent, Guid decisionId) => DerivedId.Of(
        "communication", evaluation.Course?.Id.ToString() ?? evaluation.Patient, intent.Kind.Code(), intent.Cause, decisionId.ToString());

    /// <summary>The id of a patient's n-th decision, counted from 1.</summary>
    public static Guid DecisionId(string patient, long sequence) =>
        DerivedId.Of("decision", patient, sequence.ToString(System.Globalization.CultureInfo.InvariantCulture));

    /// <summary>What takes its place: something of its kind, and where a proposal goes also what stops the course or has it looked at.</summary>
    private static CommunicationIntent? SuccessorOf(StandingCommunication gone, ImmutableArray<CommunicationIntent> issued) =>
        issued.FirstOrDefault(i => i.Kind == gone.Kind && i.Reminds is null)
        ?? (gone.Kind == CommunicationKind.StepChange
            ? issued.FirstOrDefault(i => i.Kind is CommunicationKind.SafetyReferral or CommunicationKind.Review)
            : null);

    private static WithdrawalReason ReasonOf(StandingCommunication gone, bool replaced, Evaluation evaluation, IReadOnlyCollection<Fact> added)
    {
        if (added.OfType<AnswerFact>().LastOrDefault(a => a.Communication == gone.Key) is { } answer)
        {
            return answer.Answer == TaskAnswer.Declined ? WithdrawalReason.Declined : WithdrawalReason.Answered;
        }

        bool ordered = added.Any(f => f is PrescriptionFact);
        bool reported = added.Any(f => f is ObservationFact { Status: ObservationStatus.Counts });
        bool removed = added.Any(f => f is ObservationFact { Status: ObservationStatus.Removed } or PrescriptionFact { Status: PrescriptionStatus.Removed });
        bool onlyFollowing = added.All(f => f is ObservationFact { Statements: [Statement.FollowUp] });
        return gone.Kind switch
        {
            _ when evaluation.NotFollowed is not null && (onlyFollowing || gone.Kind is not (CommunicationKind.SafetyReferral or CommunicationKind.Review)) => WithdrawalReason.PatientNotFollowed,
            _ when evaluation.Outcome is null && gone.Kind != CommunicationKind.SafetyReferral => WithdrawalReason.CourseEnded,
            CommunicationKind.CheckInRequest when reported => WithdrawalReason.Answered,
            CommunicationKind.RepeatReminder when ordered => WithdrawalReason.Answered,
            _ when removed => WithdrawalReason.SourceRemoved,
            _ when replaced => WithdrawalReason.Superseded,
            CommunicationKind.StepChange or CommunicationKind.Review when ordered => WithdrawalReason.PrescribedOtherwise,
            _ => WithdrawalReason.GroundsGone,
        };
    }
}
