using System.Collections.Immutable;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Communications;

/// <summary>A communication that stands: issued, and its grounds not gone.</summary>
/// <param name="Key">Its stable key: course, kind, cause and the decision that opened it.</param>
public sealed record StandingCommunication(Guid Key, CommunicationKind Kind, string Cause);

/// <summary>The difference between what should stand and what does.</summary>
/// <param name="Issue">To issue, with the key each gets.</param>
/// <param name="Withdraw">To withdraw.</param>
public sealed record Reconciliation(
    ImmutableArray<(Guid Key, CommunicationIntent Intent)> Issue,
    ImmutableArray<StandingCommunication> Withdraw)
{
    public bool IsEmpty => Issue.IsEmpty && Withdraw.IsEmpty;

    /// <summary>
    /// Compares the evaluation with what stands of its course. Doing it twice changes nothing; grounds that went and came
    /// back are a new communication, since another decision opens it.
    /// </summary>
    public static Reconciliation Of(IReadOnlyCollection<StandingCommunication> standing, Evaluation evaluation, Guid decisionId)
    {
        HashSet<(CommunicationKind, string)> stands = [.. standing.Select(s => (s.Kind, s.Cause))];
        HashSet<(CommunicationKind, string)> wanted = [.. evaluation.Communications.Select(i => (i.Kind, i.Cause))];
        return new Reconciliation(
            [.. evaluation.Communications.Where(i => !stands.Contains((i.Kind, i.Cause))).Select(i => (KeyOf(evaluation, i, decisionId), i))],
            [.. standing.Where(s => !wanted.Contains((s.Kind, s.Cause)))]);
    }

    /// <summary>The stable key of a communication that this decision opens.</summary>
    public static Guid KeyOf(Evaluation evaluation, CommunicationIntent intent, Guid decisionId) => DerivedId.Of(
        "communication", evaluation.Course?.Id.ToString() ?? evaluation.Patient, intent.Kind.Code(), intent.Cause, decisionId.ToString());

    /// <summary>The id of a patient's n-th decision, counted from 1.</summary>
    public static Guid DecisionId(string patient, long sequence) =>
        DerivedId.Of("decision", patient, sequence.ToString(System.Globalization.CultureInfo.InvariantCulture));
}
