using System.Globalization;
using Spectre.Console;
using Titration.Protocol.Definitions;

namespace Titration.Worker.Commands;

/// <summary>The gates and limits of a protocol, as a clinician would say them.</summary>
internal static class ProtocolNumbers
{
    public static Grid Grid(ProtocolDefinition protocol)
    {
        Grid grid = new Grid().AddColumn(new GridColumn().NoWrap().PadRight(2)).AddColumn();
        foreach ((string subject, string text) in Lines(protocol))
        {
            grid.AddRow(new Text(subject, new Style(decoration: Decoration.Bold)), new Text(text));
        }

        return grid;
    }

    private static IEnumerable<(string Subject, string Text)> Lines(ProtocolDefinition p) =>
    [
        ("step up", $"{p.StepUp.MinimumApplications} applications and {Number(p.StepUp.MinimumExposure * 100)} % of those planned; a complete check-in from day "
            + $"{p.StepUp.EvidenceAfterDays} of the step, at most {Days(p.StepUp.EvidenceHoldsDays)} old; {Days(p.StepUp.DaysWithoutModerate)} without a sign of 2; "
            + $"at most {Number(p.StepUp.MaximumWeeklyDoseRatio)} times the weekly dose; unreported nights {(p.StepUp.CountUnreportedNights ? "count as planned" : "do not count")}"),
        ("higher strength", $"{Days(p.Strength.MinimumDays)} on the present one, the last {p.Strength.ToleratedDays} at its top step and tolerated in "
            + $"{p.Strength.ToleratedCheckIns} or more check-ins; more effect wanted, said in the last {Days(p.Strength.EffectHoldsDays)}"),
        ("effect", $"reviewed from day {p.Strength.EffectReviewDay} on a strength"),
        ("a 2 (moderate)", $"fresh: stay, with care advice; lasting {Days(p.Severity.LastingDays)}: one step down; rising over {p.Severity.RisingCheckIns} check-ins: stay"),
        ("a 3 (severe)", $"up to day {p.Severity.EarlySevereDays} of the course: discontinue; later: withhold, until a check-in {Days(p.Severity.RecoveryAfterSevereDays)} or more after it"),
        ("check-ins", $"every {Days(p.CheckIns.EveryDays)}, {p.CheckIns.AfterModerateDays} after a 2, {p.CheckIns.AtTopStepEveryDays} once the top step is tolerated; "
            + $"asked again after {p.CheckIns.SecondRequestAfterDays}, the clinic's task after {p.CheckIns.ClinicTaskAfterDays}"),
        ("gaps", $"{p.Gaps.StepDownNights} to {p.Gaps.RestartNights - 1} nights without: one step down; from {p.Gaps.RestartNights}: the first step; "
            + $"more than {p.Gaps.HoldNightsKeepingStep} nights on hold: the step begins anew"),
        ("interacting", $"no step up for {Days(p.Severity.InteractingDays)} after a new one"),
        ("dose", $"at most {Number(p.Dose.FaceMaximumGrams)} g per application to the face; a fingertip unit is {Number(p.Dose.FingertipUnitGrams)} g"),
        ("procedures", p.Dose is { ProcedureDaysBefore: { } before, ProcedureDaysAfter: { } after }
            ? $"nothing from {Days(before)} before to {Days(after)} after" : "no interval set: a planned procedure withholds nothing"),
        ("supply", $"reminder {Days(p.Supply.ReminderDaysBefore)} before run-out; use over {Number(p.Supply.OverUse)} or under {Number(p.Supply.UnderUse)} times the plan is flagged"),
        ("tasks due", $"stat {p.Deadlines.StatHours} h, urgent {p.Deadlines.UrgentDays} d, withheld {p.Deadlines.WithholdRoutineDays} d, step down {p.Deadlines.StepChangeDownDays} d, "
            + $"step up {p.Deadlines.StepChangeUpDays} d, review {p.Deadlines.ReviewDays} d"),
        ("unanswered", $"reminder when due; to the clinic's pool {p.Deadlines.PoolAfterStatHours} h (stat), {p.Deadlines.PoolAfterUrgentHours} h (urgent), "
            + $"{p.Deadlines.PoolAfterRoutineDays} d (routine) later; then a digest every {Days(p.Deadlines.DigestEveryDays)}"),
        ("declined", $"not proposed again for {Days(p.Deadlines.RejectionDays)} unless its grounds change"),
        ("unapproved", "check-in requests, care advice and reminders go to the patient"
            + (p.FixedPatientMessages ? ", and the fixed \"leave it out and wait\" of an urgent finding; a dosage never does" : "; a dosage never does")),
    ];

    private static string Days(int days) => days == 1 ? "1 day" : $"{days} days";

    private static string Number(decimal value) => value.ToString("0.###", CultureInfo.InvariantCulture);
}
