using System.Collections.Immutable;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>Before an approved proposal takes effect it is evaluated again: whether it would still have been made when it was approved.</summary>
public static class Grounds
{
    /// <summary>
    /// Evaluates at the instant of the approval, without that answer and without the orders that followed from it, and compares.
    /// </summary>
    /// <param name="history">All that is known now: what was known late counts.</param>
    /// <param name="approval">The approval, of a step change.</param>
    /// <param name="protocol">The protocol.</param>
    /// <param name="zone">The clinic's time zone.</param>
    public static bool Hold(PatientHistory history, AnswerFact approval, ProtocolDefinition protocol, TimeZoneInfo zone)
    {
        ImmutableArray<Fact> before = [.. history.Facts.Where(f => !FollowedFrom(f, approval, zone))];
        foreach (Evaluation evaluation in TitrationPolicy.Evaluate(history with { Facts = before }, protocol, new AsOf(approval.At, zone)))
        {
            if (evaluation.Course?.Id == approval.Course)
            {
                return evaluation.Communications.Any(c => c.Kind == approval.Kind && c.Proposed == approval.Proposed);
            }
        }

        return false;
    }

    // An approving clinician writes the order just before or just after completing the Task: whatever was ordered after the order that
    // the proposal spoke of belongs to the approval.
    private static bool FollowedFrom(Fact fact, AnswerFact approval, TimeZoneInfo zone) => fact switch
    {
        AnswerFact answer => answer.At >= approval.At,
        PrescriptionFact order => order.AuthoredOn.StartIn(zone) > approval.ProposedAt || order.Source.LastUpdated > approval.ProposedAt,
        ObservationFact or PatientFact => false,
        _ => throw new System.Diagnostics.UnreachableException(),
    };
}
