using System.Collections.Immutable;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>
/// A reason to leave the product out that keeps speaking until a <c>Resume</c>, or a later order that is not an equal repeat, is in force.
/// </summary>
/// <param name="Rule">The rule it falls under.</param>
/// <param name="Code">What it is called among the findings.</param>
/// <param name="Date">Clinic-local date of the causing fact: its night is the first one withheld.</param>
/// <param name="EndedAt">When the cause itself was over; null: it is not.</param>
/// <param name="ProvenFrom">From which date on a check-in shows that the skin has recovered.</param>
/// <param name="Priority">How soon a clinician must look.</param>
/// <param name="ToFirstStep">True where going on starts at the first step.</param>
/// <param name="Key">Tells causes of one kind apart.</param>
/// <param name="At">When it was so.</param>
/// <param name="Evidence">The facts that say so.</param>
internal sealed record WithholdCause(
    string Rule, string Code, DateOnly Date, DateTimeOffset At, DateTimeOffset? EndedAt, DateOnly ProvenFrom, Priority Priority,
    bool ToFirstStep, string Key, ImmutableArray<ResourceVersion> Evidence)
{
    /// <summary>The instant that an order must not precede to answer it; null: no order answers it yet.</summary>
    private DateTimeOffset? AnswerableFrom { get; init; } = At;

    /// <summary>
    /// Finds every cause, gives the course the nights that each withheld, and returns those that no later order has answered, in time order.
    /// </summary>
    public static List<WithholdCause> Of(CourseTimeline course, Voices voices)
    {
        List<WithholdCause> causes = [];
        AddSevere(causes, course);
        AddLastingAtLowest(causes, course);
        AddFindings(causes, course);
        AddOtherRetinoids(causes, course);
        AddProcedures(causes, course, voices);
        if (causes.Count == 0)
        {
            return causes;
        }

        causes.Sort((a, b) => a.At != b.At ? a.At.CompareTo(b.At) : string.CompareOrdinal(a.Key, b.Key));
        course.AnsweredStretches = [.. causes.Select(c => c.AnsweredStretch(course)).OfType<Pause>()];
        causes.RemoveAll(c => c.AnswerableFrom <= course.AnsweredUntil);
        return causes;
    }

    private Pause? AnsweredStretch(CourseTimeline course)
    {
        if (!(AnswerableFrom <= course.AnsweredUntil))
        {
            return null;
        }

        DateOnly from = Date > course.Day0 ? Date : course.Day0;
        StepSegment? answer = course.Orders.Segments.FirstOrDefault(s => s.NewDosage && s.Since > course.Day0 && s.OrderedAt >= AnswerableFrom);
        return answer is not null && answer.Since > from ? new Pause(from, answer.Since) : null;
    }

    private static void AddSevere(List<WithholdCause> causes, CourseTimeline course)
    {
        SeverityLimits limits = course.Protocol.Severity;
        foreach (DayReport day in course.Days)
        {
            bool early = day.Date.DayNumber - course.Day0.DayNumber <= limits.EarlySevereDays;
            if (day.Worst == Grade.Severe && !early)
            {
                causes.Add(new WithholdCause(
                    RuleIds.Severe, RuleIds.Severe, day.Date, day.WorstAt, day.WorstAt, day.Date.AddDays(limits.RecoveryAfterSevereDays),
                    Priority.Urgent, ToFirstStep: false, Key: $"{RuleIds.Severe}:{day.Date:O}", day.Evidence));
            }
        }
    }

    private static void AddLastingAtLowest(List<WithholdCause> causes, CourseTimeline course)
    {
        if (course.Segment is not { } segment || !segment.Step.Barrier || !course.Regimen.IsLowest(segment.Step))
        {
            return;
        }

        for (int i = course.FirstDayOnStep; i < course.Days.Length; i++)
        {
            DayReport day = course.Days[i];
            if (day.Worst >= Grade.Moderate && Severity.EarlierModerate(course, i) is { } earlier)
            {
                causes.Add(new WithholdCause(
                    RuleIds.LastingAtLowest, RuleIds.LastingAtLowest, day.Date, day.WorstAt, day.WorstAt, day.Date, Priority.Urgent,
                    ToFirstStep: false, Key: $"{RuleIds.LastingAtLowest}:{segment.Since:O}", [.. earlier.Evidence, .. day.Evidence]));
                return;
            }
        }
    }

    private static void AddFindings(List<WithholdCause> causes, CourseTimeline course)
    {
        foreach (ReportedFinding finding in course.Findings)
        {
            bool hold = finding.Rule.Effect == FindingEffect.Withhold;
            bool clearedStop = (finding.ClearedAt is not null || StopFindings.AnsweredByOrder(course, finding)) && StopFindings.Stops(course, finding);
            if ((hold || clearedStop) && finding.Date >= course.Day0)
            {
                causes.Add(new WithholdCause(
                    hold ? RuleIds.HoldFinding : RuleIds.ClearedStop, finding.Rule.Finding.Code(), finding.Date, finding.At, finding.ClearedAt,
                    finding.Date, hold ? finding.Rule.Priority : Priority.Urgent, ToFirstStep: clearedStop,
                    Key: $"{finding.Rule.Finding.Code()}:{finding.Source.Id}", [finding.Source])
                {
                    // An order written while a stop finding stood says nothing of going on; one after the clinician's word does.
                    AnswerableFrom = clearedStop && !StopFindings.AnsweredByOrder(course, finding) ? finding.ClearedAt : finding.At,
                });
            }
        }

        if (StopFindings.EarlySevereOf(course) is { ClearedAt: { } cleared } early)
        {
            causes.Add(new WithholdCause(
                RuleIds.ClearedStop, RuleIds.EarlySevere, early.Day.Date, early.Day.WorstAt, cleared,
                early.Day.Date.AddDays(course.Protocol.Severity.RecoveryAfterSevereDays), Priority.Urgent, ToFirstStep: true, Key: $"{RuleIds.EarlySevere}:{early.Day.Date:O}", early.Day.Evidence)
            {
                AnswerableFrom = early.AnsweredByOrder ? early.Day.WorstAt : cleared,
            });
        }
    }

    private static void AddOtherRetinoids(List<WithholdCause> causes, CourseTimeline course)
    {
        foreach (OtherOrder other in course.OtherOrders)
        {
            DateOnly from = ClinicZone.DateOf(other.From, course.AsOf.Zone);
            DateOnly date = from > course.Day0 ? from : course.Day0;
            bool shareANight = other.Until is not { } until || ClinicZone.DateOf(until, course.AsOf.Zone) > date;
            if (other.Order.Product.Role == ProductRole.Interacting || !shareANight || date > course.Today)
            {
                continue;
            }

            DateTimeOffset both = from > course.Day0 ? other.From : ClinicZone.StartOf(course.Day0, course.AsOf.Zone);
            causes.Add(new WithholdCause(
                RuleIds.AnotherRetinoid, RuleIds.AnotherRetinoid, date, both, other.Until, date, Priority.Urgent, ToFirstStep: false,
                Key: $"{RuleIds.AnotherRetinoid}:{other.Order.Source.Id}", [other.Order.Source])
            {
                AnswerableFrom = other.Until,
            });
        }
    }

    private static void AddProcedures(List<WithholdCause> causes, CourseTimeline course, Voices voices)
    {
        if (course.Protocol.Dose is not { ProcedureDaysBefore: { } before, ProcedureDaysAfter: { } after })
        {
            return;
        }

        foreach (PlannedProcedure procedure in course.Procedures)
        {
            DateOnly from = procedure.Date.AddDays(-before);
            DateOnly until = procedure.Date.AddDays(after + 1);
            voices.LookOn(from);
            voices.LookOn(until);
            DateTimeOffset at = ClinicZone.StartOf(from, course.AsOf.Zone);
            DateTimeOffset ends = ClinicZone.StartOf(until, course.AsOf.Zone);
            if (from <= course.Today && until > course.Day0)
            {
                causes.Add(new WithholdCause(
                    RuleIds.Procedure, "procedure-planned", from, at, ends <= course.AsOf.Instant ? ends : null, from, Priority.Routine,
                    ToFirstStep: false, Key: $"{RuleIds.Procedure}:{procedure.Source.Id}", [procedure.Source])
                {
                    AnswerableFrom = ends,
                });
            }
        }
    }
}
