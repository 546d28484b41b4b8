using System.Collections.Immutable;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>A reported finding, and when it was cleared.</summary>
/// <param name="Rule">How the protocol takes it.</param>
/// <param name="At">When it was so.</param>
/// <param name="Date">The clinic-local date of that.</param>
/// <param name="Source">The observation that says so.</param>
/// <param name="ClearedAt">When somebody whose word counts said it is over; null: it stands.</param>
internal sealed record ReportedFinding(FindingRule Rule, DateTimeOffset At, DateOnly Date, ResourceVersion Source, DateTimeOffset? ClearedAt)
{
    public bool StandsOn(DateTimeOffset instant) => At <= instant && !(ClearedAt <= instant);
}

/// <summary>The findings of a patient as they bear on one course, oldest first.</summary>
internal static class FindingHistory
{
    /// <param name="remarks">Whatever else than check-ins was said of the patient, oldest first: findings speak to all courses.</param>
    /// <param name="speaksHere">Whether an observation speaks to this course: a general <c>recovered</c> clears only there.</param>
    public static ImmutableArray<ReportedFinding> Of(
        ImmutableArray<Observed> remarks, Func<ObservationFact, bool> speaksHere, ProtocolDefinition protocol)
    {
        ImmutableArray<Observed> clearing = remarks.RemoveAll(o => !MayClear(o.Fact));
        List<ReportedFinding> findings = [];
        foreach (Observed observed in remarks)
        {
            foreach (Statement statement in observed.Fact.Statements)
            {
                if (statement is Statement.FindingReported { Present: true } reported && RuleOf(reported.Kind, protocol) is { } rule)
                {
                    findings.Add(new ReportedFinding(rule, observed.At, observed.Date, observed.Fact.Source, ClearedAt(rule, observed.At, clearing, speaksHere)));
                }
            }
        }

        return [.. findings];
    }

    private static FindingRule? RuleOf(FindingKind kind, ProtocolDefinition protocol)
    {
        foreach (FindingRule rule in protocol.Findings)
        {
            if (rule.Finding == kind)
            {
                return rule;
            }
        }

        return null;
    }

    private static DateTimeOffset? ClearedAt(
        FindingRule rule, DateTimeOffset at, ImmutableArray<Observed> clearing, Func<ObservationFact, bool> speaksHere)
    {
        for (int i = clearing.FirstIndex(o => o.At > at); i < clearing.Length; i++)
        {
            if (Clears(clearing[i].Fact, rule, speaksHere))
            {
                return clearing[i].At;
            }
        }

        return null;
    }

    /// <summary>Whether it says of anything that it is over: what else is said clears nothing.</summary>
    private static bool MayClear(ObservationFact observation)
    {
        foreach (Statement statement in observation.Statements)
        {
            if (statement is Statement.FindingReported { Present: false } or Statement.Recovered { Yes: true })
            {
                return true;
            }
        }

        return false;
    }

    private static bool Clears(ObservationFact observation, FindingRule rule, Func<ObservationFact, bool> speaksHere)
    {
        bool clinician = observation.PerformerKind == PerformerKind.Clinician;
        foreach (Statement statement in observation.Statements)
        {
            bool denial = statement is Statement.FindingReported { Present: false } denied && denied.Kind == rule.Finding;
            bool recovered = statement is Statement.Recovered { Yes: true } && speaksHere(observation);
            bool clears = rule.ClearedBy switch
            {
                ClearedBy.Clinician => clinician && (denial || recovered),
                ClearedBy.ClinicianDenial => clinician && denial,
                ClearedBy.Anyone => denial || recovered,
                ClearedBy.Denial => denial,
            };
            if (clears)
            {
                return true;
            }
        }

        return false;
    }
}
