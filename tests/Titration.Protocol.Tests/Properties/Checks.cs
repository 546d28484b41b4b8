using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Tests.Properties;

/// <summary>The invariants as functions: what is wrong with an evaluation or a pair of them, or null.</summary>
internal static class Checks
{
    /// <summary>
    /// After a worse grade or one finding more, nothing bolder may be proposed. A step up that only an unknown age turned into a question
    /// counts as a step up; one that only asks for fresh evidence asks because a step up is near.
    /// </summary>
    public static string? Bolder(Evaluation before, Evaluation after)
    {
        if (before.Outcome is not { } was || after.Outcome is not { } now || now <= was)
        {
            return null;
        }

        bool wasNearlyStepUp = before.Reasons[0].Rule == "age-unknown"
            || (was == Outcome.AwaitCheckIn && before.Reasons.All(r => r.Outcome != Outcome.Maintain || r.Rule == "evidence"));
        bool endedRising = Shut(before, "rising-irritation") && !Shut(after, "rising-irritation");
        bool sameStep = was == Outcome.StepDown && after.Reasons.Any(r => r is { Outcome: Outcome.Resume, Proposed: { } resumed } && NothingAbove(resumed, before.Proposed!));
        return wasNearlyStepUp || endedRising || sameStep ? null : $"{was} ({before.Reasons[0].Rule}) became {now} ({after.Reasons[0].Rule})";
    }

    /// <summary>What a step may never do, told from the raw facts.</summary>
    public static string? Dosing(Evaluation evaluation, Case history)
    {
        if (evaluation.Proposed is not { } to)
        {
            return evaluation.Outcome is Outcome.StepUp or Outcome.StepDown or Outcome.Resume ? "no step proposed" : null;
        }

        Step from = evaluation.Step!.Step;
        if (evaluation.Outcome != Outcome.StepUp)
        {
            return !NothingAbove(to, from) ? $"{evaluation.Outcome} raises something"
                : from.Barrier && !to.Barrier ? $"{evaluation.Outcome} drops barrier support" : null;
        }

        TimeZoneInfo zone = history.AsOf.Zone;
        DateOnly today = history.AsOf.Date;
        List<ObservationFact> recent =
        [
            .. history.Facts.OfType<ObservationFact>().Where(o => o.Effective.StartIn(zone) <= history.At && today.DayNumber - o.Effective.DateIn(zone).DayNumber <= 7),
        ];
        bool heard = recent.GroupBy(o => o.Effective.DateIn(zone)).Any(day =>
            day.Key.DayNumber - evaluation.Step.Since.DayNumber >= 5
            && day.SelectMany(o => o.Statements.OfType<Statement.Graded>()).Where(g => g.Sign != Sign.Pruritus).Select(g => g.Sign).Distinct().Count() == 4);
        bool clean = !recent.Exists(o => o is { PerformerKind: PerformerKind.Clinician, Status: ObservationStatus.Counts } && IsOnly(o, history)
            && o.Statements.Any(s => s is Statement.Graded { Grade: >= Grade.Moderate }));
        int up = (to.StrengthPercent > from.StrengthPercent ? 1 : 0) + (to.Frequency > from.Frequency ? 1 : 0)
            + (to.GramsPerApplication > from.GramsPerApplication ? 1 : 0);
        return up != 1 ? $"{up} dimensions go up"
            : to.WeeklyActiveMilligrams > 2 * from.WeeklyActiveMilligrams ? "more than double the weekly active dose"
            : today.DayNumber - evaluation.Step.Since.DayNumber < history.Protocol.StandardLadder.MinimumDaysOnStep ? "before its day"
            : !heard ? "on silence" : !clean ? "within a week of a clinician's 2" : null;
    }

    /// <summary>Whether somebody could understand it years later.</summary>
    public static string? Unexplained(Evaluation evaluation)
    {
        if (evaluation.Outcome is not { } outcome)
        {
            return evaluation.Reasons.IsEmpty ? null : "reasons without an outcome";
        }

        if (evaluation.Reasons.IsEmpty)
        {
            return "no reasons";
        }

        if (evaluation.Reasons[0].Outcome != outcome || evaluation.Reasons.Any(r => r.Outcome < outcome))
        {
            return "the first reason does not decide";
        }

        if (evaluation.Reasons.Any(r => string.IsNullOrWhiteSpace(r.Text) || string.IsNullOrWhiteSpace(r.Rule)))
        {
            return "a reason without rule or text";
        }

        bool needsFacts = evaluation.Reasons[0].Rule is not ("silence" or "age-unknown" or "evidence" or "time-on-step");
        bool numbers = evaluation.Reasons[0].Rule is "merged-patient" or "tied-versions" or "dosage-uncertain" || evaluation.Reasons[0].Text.Any(char.IsAsciiDigit);
        return needsFacts && evaluation.Reasons[0].Evidence.IsEmpty ? $"{evaluation.Reasons[0].Rule} without facts"
            : !numbers ? $"{evaluation.Reasons[0].Rule} without numbers" : null;
    }

    /// <summary>What a patient or a clinician would notice of the change from one look to another.</summary>
    public static string? Changed(Evaluation before, Evaluation after) =>
        before.Outcome != after.Outcome ? $"outcome {before.Outcome} became {after.Outcome} ({before.Reasons.FirstOrDefault()?.Rule}, {after.Reasons.FirstOrDefault()?.Rule})"
        : before.Step != after.Step ? "step in force"
        : before.Proposed != after.Proposed ? "proposed step"
        : Codes(before) != Codes(after) ? $"findings {Codes(before)} became {Codes(after)}"
        : Open(before) != Open(after) ? $"communications {Open(before)} became {Open(after)}" : null;

    private static string Codes(Evaluation evaluation) => string.Join(' ', evaluation.Findings.Select(f => f.Code));

    private static string Open(Evaluation evaluation) => string.Join(' ', evaluation.Communications.Select(c => $"{c.Kind}/{c.Cause}").Order(StringComparer.Ordinal));

    private static bool Shut(Evaluation evaluation, string rule) => evaluation.Reasons.Any(r => r.Rule == rule && r.Outcome == Outcome.Maintain);

    private static bool NothingAbove(Step step, Step limit) =>
        step.StrengthPercent <= limit.StrengthPercent && step.Frequency <= limit.Frequency && step.GramsPerApplication <= limit.GramsPerApplication;

    private static bool IsOnly(ObservationFact observation, Case history) =>
        history.Facts.Count(f => f.Source.Type == observation.Source.Type && f.Source.Id == observation.Source.Id) == 1
        && !history.Facts.OfType<PrescriptionFact>().Any(p => observation.BasedOn.Length > 0 && p.Source.Id != observation.BasedOn[0]);
}
