using Titration.Protocol.Communications;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Model;

namespace Titration.Worker.Explaining;

/// <summary>What became of communications, from the outbox and from the clinicians' answers.</summary>
internal static class CommunicationFate
{
    /// <param name="row">The communication.</param>
    /// <param name="mode">What leaves for the FHIR server at present.</param>
    /// <param name="entries">Its entries in the outbox.</param>
    /// <param name="answers">What clinicians answered to it, each resource in its newest version.</param>
    /// <param name="resources">What the FHIR server holds of it.</param>
    public static ExplainedCommunication Of(
        CommunicationRow row, OperatingMode mode, IEnumerable<OutboxRow> entries, IReadOnlyCollection<AnswerFact> answers, IEnumerable<SentResourceRow> resources)
    {
        IEnumerable<CommunicationEvent> events = [.. entries.OrderBy(e => e.Sequence).Select(e => Of(e, mode)), .. answers.Select(Of)];
        return new ExplainedCommunication(
            row.Key, StoredJson.ReadIntent(row.Intent), row.OpenedAt, row.DecisionId, row.ClosedBy, IsOpen(row, answers),
            [.. events.OrderBy(e => e.At ?? DateTimeOffset.MaxValue)], [.. resources.OrderBy(r => r.Role, StringComparer.Ordinal).Select(r => $"{r.ResourceType}/{r.ServerId}")]);
    }

    /// <summary>Whether somebody still has to do or answer something: it stands, and nobody has answered more than that it is in hand.</summary>
    public static bool IsOpen(CommunicationRow row, IEnumerable<AnswerFact> answers) =>
        row.State == CommunicationState.Standing && answers.All(a => a.Answer == TaskAnswer.InHand);

    private static CommunicationEvent Of(OutboxRow entry, OperatingMode mode)
    {
        (string kind, string done) = entry.Action switch
        {
            OutboxAction.Issue => ("sent", "sent"),
            OutboxAction.Withdraw => ("withdrawn", entry.Reason is { } reason ? $"withdrawn ({WhyOf(reason)})" : "withdrawn"),
            OutboxAction.Activate => ("activated", "made active for the patient"),
            OutboxAction.HandOver => ("handed-over", "its task went to the clinic's pool"),
        };
        string toBe = entry.Action == OutboxAction.HandOver ? "handed to the clinic's pool" : done;
        string problem = entry.Problem is { } why ? $": {why}" : "";
        return entry.State switch
        {
            OutboxState.Sent => new CommunicationEvent(entry.SentAt, kind, done),
            OutboxState.Dropped => new CommunicationEvent(entry.CreatedAt, "dropped", $"not {done}: its grounds had gone before it left"),
            OutboxState.Dead => new CommunicationEvent(null, "refused", $"not {done}: the FHIR server refuses it{problem}"),
            OutboxState.Pending when mode == OperatingMode.Shadow => new CommunicationEvent(entry.CreatedAt, "shadow", $"in shadow: would have been {toBe}"),
            OutboxState.Pending when mode == OperatingMode.Paused && entry is { Action: not OutboxAction.Withdraw, Kind: not CommunicationKind.SafetyReferral } =>
                new CommunicationEvent(null, "paused", $"waits to be {toBe}: the service is paused"),
            OutboxState.Pending or OutboxState.Leased => new CommunicationEvent(null, "waiting", $"waits to be {toBe}{problem}"),
        };
    }

    private static CommunicationEvent Of(AnswerFact answer) => new(
        answer.At, answer.Answer.Code(),
        answer.Answer switch
        {
            TaskAnswer.Approved => $"approved by {answer.Source.Reference}",
            TaskAnswer.Declined => $"declined by {answer.Source.Reference}{(answer.Reason is { } reason ? $" ({reason})" : "")}",
            TaskAnswer.Done => $"done by {answer.Source.Reference}, without a decision to approve",
            TaskAnswer.InHand => $"in hand by {answer.Source.Reference}",
        });

    private static string WhyOf(WithdrawalReason reason) => reason switch
    {
        WithdrawalReason.GroundsGone => "what it rested on is no longer so",
        WithdrawalReason.Superseded => "another takes its place",
        WithdrawalReason.Answered => "what it asked for has arrived",
        WithdrawalReason.PrescribedOtherwise => "the prescription was changed without it",
        WithdrawalReason.Declined => "declined",
        WithdrawalReason.CourseEnded => "the course has ended",
        WithdrawalReason.PatientNotFollowed => "the patient is no longer followed",
        WithdrawalReason.SourceRemoved => "a source was entered in error or deleted",
        WithdrawalReason.PolicyChanged => "the clinic adopted another policy",
        WithdrawalReason.Duplicate => "the server held it twice",
    };
}
