using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Definitions;

/// <summary>Findings without a rule or with two, and rules that take an emergency lightly.</summary>
internal static class FindingProblems
{
    public static IEnumerable<ProtocolProblem> Of(ProtocolDefinition protocol)
    {
        HashSet<FindingKind> seen = [];
        for (int i = 0; i < protocol.Findings.Length; i++)
        {
            FindingRule rule = protocol.Findings[i];
            string at = $"/findings/{i}";
            if (!seen.Add(rule.Finding))
            {
                yield return new($"{at}/finding", $"\"{rule.Finding.Code()}\" has two rules; each finding needs exactly one");
            }

            foreach (ProtocolProblem problem in Of(rule, at))
            {
                yield return problem;
            }
        }

        foreach (FindingKind finding in Enum.GetValues<FindingKind>())
        {
            if (!seen.Contains(finding))
            {
                yield return new("/findings", $"\"{finding.Code()}\" has no rule; each finding needs exactly one");
            }
        }
    }

    private static IEnumerable<ProtocolProblem> Of(FindingRule rule, string at)
    {
        string code = rule.Finding.Code();
        if (IsEmergency(rule.Finding) && rule is not { Effect: FindingEffect.Discontinue, Priority: Priority.Stat })
        {
            yield return new(at, $"\"{code}\" is an emergency: its effect must be \"discontinue\" and its priority \"stat\"");
        }

        bool stops = rule.Effect is FindingEffect.Discontinue or FindingEffect.ByJurisdiction;
        if (stops && rule.ClearedBy is ClearedBy.Anyone or ClearedBy.Denial)
        {
            yield return new($"{at}/clearedBy", $"what discontinues a course is cleared by a clinician, never by a patient's word (\"{code}\")");
        }

        if (stops && rule.Priority == Priority.Routine)
        {
            yield return new($"{at}/priority", $"what discontinues a course is at least \"urgent\" (\"{code}\")");
        }

        if (rule.Effect == FindingEffect.ByJurisdiction && rule.Finding is not (FindingKind.Pregnancy or FindingKind.PlanningPregnancy))
        {
            yield return new($"{at}/effect", $"a jurisdiction speaks of pregnancy only, not of \"{code}\"");
        }

        if (rule.Effect == FindingEffect.CautiousLadder && rule.Finding != FindingKind.Caution)
        {
            yield return new($"{at}/effect", $"only \"{FindingKind.Caution.Code()}\" takes the cautious ladder, not \"{code}\"");
        }
    }

    // Labels: stop, emergency care; a change of vision is one too.
    private static bool IsEmergency(FindingKind finding) =>
        finding is FindingKind.BreathingDifficulty or FindingKind.FacialSwelling or FindingKind.Hives or FindingKind.VisionChange;
}
