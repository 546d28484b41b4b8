namespace Titration.Protocol.Definitions;

/// <summary>Limits and deadlines that contradict each other.</summary>
internal static class LimitProblems
{
    public static IEnumerable<ProtocolProblem> Of(ProtocolDefinition protocol)
    {
        GapLimits gaps = protocol.Gaps;
        if (gaps.RestartNights <= gaps.StepDownNights)
        {
            yield return new("/gaps/restartNights", $"{gaps.RestartNights} nights must be more than the {gaps.StepDownNights} of a step down (/gaps/stepDownNights)");
        }

        if (protocol.Supply.OverUse <= 1)
        {
            yield return new("/supply/overUse", "must be above 1: use as planned would be questioned");
        }

        if (protocol.Supply.UnderUse is <= 0 or >= 1)
        {
            yield return new("/supply/underUse", "must be above 0 and below 1: use as planned would be noted");
        }

        DoseLimits dose = protocol.Dose;
        if (dose.ProcedureDaysBefore is null != dose.ProcedureDaysAfter is null)
        {
            string missing = dose.ProcedureDaysBefore is null ? "procedureDaysBefore" : "procedureDaysAfter";
            yield return new($"/dose/{missing}", "the days before and after a procedure are set together or not at all: with one alone no procedure would withhold");
        }

        foreach (ProtocolProblem problem in Deadlines(protocol.Deadlines))
        {
            yield return problem;
        }
    }

    private static IEnumerable<ProtocolProblem> Deadlines(TaskDeadlines deadlines)
    {
        if (deadlines.StatHours > deadlines.UrgentDays * 24L)
        {
            yield return new("/deadlines/statHours", $"an emergency ({deadlines.StatHours} hours) must not be due after what is urgent ({deadlines.UrgentDays} days)");
        }

        if (deadlines.PoolAfterStatHours > deadlines.PoolAfterUrgentHours || deadlines.PoolAfterUrgentHours > deadlines.PoolAfterRoutineDays * 24L)
        {
            yield return new(
                "/deadlines/poolAfterUrgentHours",
                $"what is unanswered goes to the pool the sooner the more urgent it is, not after {deadlines.PoolAfterStatHours} hours (stat), "
                + $"{deadlines.PoolAfterUrgentHours} hours (urgent) and {deadlines.PoolAfterRoutineDays} days (routine)");
        }

        (string Name, int Days)[] routine =
        [
            ("withholdRoutineDays", deadlines.WithholdRoutineDays),
            ("stepChangeDownDays", deadlines.StepChangeDownDays),
            ("reviewDays", deadlines.ReviewDays),
        ];
        foreach ((string name, int days) in routine)
        {
            if (days < deadlines.UrgentDays)
            {
                yield return new($"/deadlines/{name}", $"{days} days are fewer than those of what is urgent ({deadlines.UrgentDays})");
            }
        }

        if (deadlines.StepChangeUpDays < deadlines.StepChangeDownDays)
        {
            yield return new(
                "/deadlines/stepChangeUpDays", $"a step up ({deadlines.StepChangeUpDays} days) must not be more pressing than a step down ({deadlines.StepChangeDownDays} days)");
        }
    }
}
