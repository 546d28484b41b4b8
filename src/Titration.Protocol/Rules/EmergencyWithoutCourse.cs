using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>A stat finding that no course answers for is still referred: safety never waits for a prescription.</summary>
internal static class EmergencyWithoutCourse
{
    /// <param name="coveredUntil">Findings dated up to here belong to a course.</param>
    public static Evaluation? Of(
        string patient, FactSelection facts, ProtocolDefinition protocol, AsOf asOf, DateOnly coveredUntil, DateTimeOffset? nextFact)
    {
        if (facts.Patient is { Deceased: true })
        {
            return null;
        }

        List<ReportedFinding> emergencies =
        [
            .. FindingHistory.Of(facts.Remarks, _ => true, protocol)
                .Where(f => f.Rule.Priority == Priority.Stat && f.ClearedAt is null && f.Date > coveredUntil),
        ];
        if (emergencies.Count == 0)
        {
            return null;
        }

        ImmutableArray<(ReportedFinding First, ImmutableArray<ResourceVersion> Evidence)> byKind =
        [
            .. emergencies.GroupBy(f => f.Rule.Finding).Select(g => (g.First(), g.Select(f => f.Source).ToImmutableArray())),
        ];
        List<CommunicationIntent> communications =
        [
            .. byKind.Select(k => Intents.StopReferral(
                protocol, RuleIds.StopFinding, $"{k.First.Rule.Finding.Code()}:{k.First.Source.Id}", k.First.Rule.Finding.Code(),
                Priority.Stat, k.First.At, k.Evidence)),
        ];
        DateTimeOffset? nextLook = nextFact;
        Unanswered.Follow(
            communications, CourseAnswers.Of(null, facts.Answers, asOf), protocol, asOf.Instant,
            at => nextLook = at > asOf.Instant && !(at >= nextLook) ? at : nextLook);
        return new Evaluation
        {
            Course = null,
            Patient = patient,
            AsOf = asOf.Instant,
            Outcome = null,
            Reasons = [],
            Findings = [.. byKind.Select(k => new StandingFinding(k.First.Rule.Finding.Code(), k.First.Date, k.Evidence))],
            Communications = [.. communications],
            NextLook = nextLook,
        };
    }
}
