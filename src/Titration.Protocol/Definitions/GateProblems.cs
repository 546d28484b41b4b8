using System.Globalization;

namespace Titration.Protocol.Definitions;

/// <summary>Gates of a step up that never open, or later than the protocol says elsewhere.</summary>
internal static class GateProblems
{
    public static IEnumerable<ProtocolProblem> Of(ProtocolDefinition protocol) =>
    [
        .. StepUp(protocol),
        .. Applications(protocol, "/standardLadder", protocol.StandardLadder),
        .. Applications(protocol, "/cautiousLadder", protocol.CautiousLadder),
        .. CheckIns(protocol.CheckIns),
        .. Strength(protocol),
    ];

    private static IEnumerable<ProtocolProblem> StepUp(ProtocolDefinition protocol)
    {
        StepUpGates gates = protocol.StepUp;
        if (gates.MinimumExposure is <= 0 or > 1)
        {
            yield return new("/stepUp/minimumExposure", $"{gates.MinimumExposure.ToString(CultureInfo.InvariantCulture)} is not above 0 and at most 1: over 1 no step up could ever be proposed");
        }

        if (gates.MaximumWeeklyDoseRatio <= 1)
        {
            yield return new("/stepUp/maximumWeeklyDoseRatio", "must be above 1: every step up raises the weekly dose, so none could ever be proposed");
        }

        if (gates.EvidenceHoldsDays < protocol.CheckIns.EveryDays)
        {
            yield return new(
                "/stepUp/evidenceHoldsDays",
                $"a check-in holds {gates.EvidenceHoldsDays} days, but the next one is due {protocol.CheckIns.EveryDays} days later (/checkIns/everyDays): between two of them "
                + "nothing could be proposed");
        }
    }

    private static IEnumerable<ProtocolProblem> Applications(ProtocolDefinition protocol, string path, Ladder ladder)
    {
        if (!LadderProblems.IsReadable(ladder))
        {
            yield break;
        }

        for (int i = 0; i < ladder.Steps.Length; i++)
        {
            LadderStep step = ladder.Steps[i];
            decimal planned = step.Frequency.PlannedIn(ladder.MinimumDaysOnStep);
            if (planned < protocol.StepUp.MinimumApplications)
            {
                yield return new(
                    $"{path}/steps/{i}",
                    $"\"{step.Name}\" plans {planned.ToString("0.#", CultureInfo.InvariantCulture)} applications in the {ladder.MinimumDaysOnStep} days of a step, "
                    + $"but {protocol.StepUp.MinimumApplications} are needed (/stepUp/minimumApplications)");
            }

            if (protocol.Gaps.StepDownNights <= step.EveryDays)
            {
                yield return new(
                    "/gaps/stepDownNights",
                    $"{protocol.Gaps.StepDownNights} nights without an application are no gap on \"{step.Name}\" ({path}/steps/{i}), whose nights are that far apart");
            }
        }
    }

    private static IEnumerable<ProtocolProblem> CheckIns(CheckInSchedule schedule)
    {
        if (schedule.AfterModerateDays > schedule.EveryDays)
        {
            yield return new("/checkIns/afterModerateDays", $"after moderate irritation the next check-in must not come later than otherwise ({schedule.EveryDays} days)");
        }

        if (schedule.AtTopStepEveryDays < schedule.EveryDays)
        {
            yield return new("/checkIns/atTopStepEveryDays", $"at a tolerated top step check-ins must not come more often than before it ({schedule.EveryDays} days)");
        }

        if (schedule.ClinicTaskAfterDays <= schedule.SecondRequestAfterDays)
        {
            yield return new(
                "/checkIns/clinicTaskAfterDays",
                $"the clinic's task ({schedule.ClinicTaskAfterDays} days) must come after the second request ({schedule.SecondRequestAfterDays} days)");
        }
    }

    private static IEnumerable<ProtocolProblem> Strength(ProtocolDefinition protocol)
    {
        StrengthGates gates = protocol.Strength;
        if (gates.ToleratedDays > gates.MinimumDays)
        {
            yield return new("/strength/toleratedDays", $"{gates.ToleratedDays} tolerated days do not fit into {gates.MinimumDays} days on the strength (/strength/minimumDays)");
        }

        if ((gates.ToleratedCheckIns - 1) * (long)protocol.CheckIns.EveryDays > gates.ToleratedDays)
        {
            yield return new(
                "/strength/toleratedCheckIns",
                $"{gates.ToleratedCheckIns} check-ins {protocol.CheckIns.EveryDays} days apart (/checkIns/everyDays) do not fit into {gates.ToleratedDays} days: a higher strength could never be proposed");
        }
    }
}
