using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>
/// The communications that rules ask for. A due time counts from the facts, never from when somebody happened to look, so that looking
/// again changes nothing.
/// </summary>
internal static class Intents
{
    /// <summary>What stops the course.</summary>
    public static CommunicationIntent StopReferral(
        ProtocolDefinition protocol, string rule, string cause, string finding, Priority priority, DateTimeOffset at, ImmutableArray<ResourceVersion> evidence) =>
        Referral(protocol, "referral", rule, cause, finding, priority, at, evidence);

    /// <summary>What is left out for a while.</summary>
    public static CommunicationIntent WithholdReferral(ProtocolDefinition protocol, WithholdCause cause) =>
        Referral(protocol, "withhold-referral", cause.Rule, cause.Key, cause.Code, cause.Priority, cause.At, cause.Evidence);

    private static CommunicationIntent Referral(
        ProtocolDefinition protocol, string template, string rule, string cause, string finding, Priority priority, DateTimeOffset at,
        ImmutableArray<ResourceVersion> evidence) =>
        new()
        {
            Kind = CommunicationKind.SafetyReferral,
            Cause = cause,
            Priority = priority,
            Audience = Audience.Prescriber,
            NeedsApproval = false,
            HasTask = true,
            Due = at + (priority switch
            {
                Priority.Stat => TimeSpan.FromHours(protocol.Deadlines.StatHours),
                Priority.Urgent => TimeSpan.FromDays(protocol.Deadlines.UrgentDays),
                Priority.Routine => TimeSpan.FromDays(protocol.Deadlines.WithholdRoutineDays),
            }),
            Template = template,
            Values = ImmutableSortedDictionary<string, string>.Empty.Add("finding", finding),
            Rule = rule,
            Evidence = evidence,
            Finding = finding,
        };

    /// <summary>The fixed message: the one thing that reaches a patient unapproved. It only ever says to leave the product out and wait.</summary>
    public static CommunicationIntent FixedMessage(string rule, string template, string cause, Priority priority, ImmutableArray<ResourceVersion> evidence) =>
        Advice(rule, template, cause, priority, evidence) with { IsSafety = true };

    public static CommunicationIntent CareAdvice(string rule, string template, string cause, ImmutableArray<ResourceVersion> evidence) =>
        Advice(rule, template, cause, Priority.Routine, evidence);

    public static CommunicationIntent Review(
        CourseTimeline course, string rule, string cause, Priority priority, DateTimeOffset at, string reason, ImmutableArray<ResourceVersion> evidence) =>
        new()
        {
            Kind = CommunicationKind.Review,
            Cause = cause,
            Priority = priority,
            Audience = Audience.Prescriber,
            NeedsApproval = false,
            HasTask = true,
            Due = at.AddDays(priority == Priority.Routine ? course.Protocol.Deadlines.ReviewDays : course.Protocol.Deadlines.UrgentDays),
            Template = "review",
            Values = ImmutableSortedDictionary<string, string>.Empty.Add("reason", reason),
            Rule = rule,
            Evidence = evidence,
        };

    public static CommunicationIntent StepDown(
        CourseTimeline course, string rule, Step to, DateTimeOffset at, ImmutableArray<ResourceVersion> evidence) =>
        StepChange(course, rule, "step-down", to, at.AddDays(course.Protocol.Deadlines.StepChangeDownDays), evidence) with { IsSafety = true };

    public static CommunicationIntent Resume(
        CourseTimeline course, Step to, DateTimeOffset at, ImmutableArray<ResourceVersion> evidence) =>
        StepChange(course, RuleIds.Resume, "resume", to, at.AddDays(course.Protocol.Deadlines.StepChangeDownDays), evidence);

    public static CommunicationIntent StepUp(CourseTimeline course, Step to, DateOnly openSince, ImmutableArray<ResourceVersion> evidence) =>
        StepChange(
            course, RuleIds.Order, "step-up", to,
            ClinicZone.StartOf(openSince.AddDays(course.Protocol.Deadlines.StepChangeUpDays), course.AsOf.Zone), evidence);

    public static CommunicationIntent CheckInRequest(CourseTimeline course, DateOnly due, bool second) => new()
    {
        Kind = CommunicationKind.CheckInRequest,
        Cause = CheckInCause(due, second),
        Priority = Priority.Routine,
        Audience = Audience.Patient,
        NeedsApproval = false,
        HasTask = false,
        Due = ClinicZone.StartOf(
            due.AddDays(second ? course.Protocol.CheckIns.ClinicTaskAfterDays : course.Protocol.CheckIns.SecondRequestAfterDays), course.AsOf.Zone),
        Template = second ? "check-in-second" : "check-in-first",
        Rule = RuleIds.Silence,
    };

    public static string CheckInCause(DateOnly due, bool second) => $"due:{due:O}:{(second ? "second" : "first")}";

    public static CommunicationIntent SilentTask(CourseTimeline course, DateOnly due) => new()
    {
        Kind = CommunicationKind.ClinicTask,
        Cause = $"silent:{due:O}",
        Priority = Priority.Routine,
        Audience = Audience.Clinic,
        NeedsApproval = false,
        HasTask = true,
        Due = ClinicZone.StartOf(due.AddDays(course.Protocol.CheckIns.ClinicTaskAfterDays + course.Protocol.Deadlines.ReviewDays), course.AsOf.Zone),
        Template = "clinic-task-silent",
        Values = ImmutableSortedDictionary<string, string>.Empty.Add("due", due.ToString("O", null)),
        Rule = RuleIds.Silence,
    };

    public static CommunicationIntent EffectReview(CourseTimeline course, DateOnly from) => new()
    {
        Kind = CommunicationKind.EffectReview,
        Cause = $"{RuleIds.EffectReview}:{from:O}",
        Priority = Priority.Routine,
        Audience = Audience.Prescriber,
        NeedsApproval = false,
        HasTask = true,
        Due = ClinicZone.StartOf(from.AddDays(course.Protocol.Deadlines.ReviewDays), course.AsOf.Zone),
        Template = "effect-review",
        Values = ImmutableSortedDictionary<string, string>.Empty.Add("days", $"{course.Protocol.Strength.EffectReviewDay}"),
        Rule = RuleIds.EffectReview,
    };

    /// <summary>
    /// One for each order that is not followed by another, so that a report which moves the run-out date by a few days sends no second one.
    /// </summary>
    public static CommunicationIntent RepeatReminder(CourseTimeline course, string order, DateOnly runOut, ImmutableArray<ResourceVersion> evidence) => new()
    {
        Kind = CommunicationKind.RepeatReminder,
        Cause = $"{RuleIds.Supply}:{order}",
        Priority = Priority.Routine,
        Audience = Audience.Patient,
        NeedsApproval = false,
        HasTask = false,
        Due = ClinicZone.StartOf(runOut, course.AsOf.Zone),
        Template = "repeat-reminder",
        Values = ImmutableSortedDictionary<string, string>.Empty.Add("due", runOut.ToString("O", null)),
        Rule = RuleIds.Supply,
        Evidence = evidence,
    };

    public static CommunicationIntent InteractingTopical(CourseTimeline course, PrescriptionFact order, DateTimeOffset began) => new()
    {
        Kind = CommunicationKind.ClinicTask,
        Cause = $"{RuleIds.Interacting}:{order.Source.Id}",
        Priority = Priority.Routine,
        Audience = Audience.Prescriber,
        NeedsApproval = false,
        HasTask = true,
        Due = began.AddDays(course.Protocol.Deadlines.ReviewDays),
        Template = "interacting-topical",
        Values = ImmutableSortedDictionary<string, string>.Empty.Add("finding", order.Product.Ingredient),
        Rule = RuleIds.Interacting,
        Evidence = [order.Source],
    };

    public static CommunicationIntent AppliedWhileWithheld(CourseTimeline course, NightReport report, int applications) => new()
    {
        Kind = CommunicationKind.ClinicTask,
        Cause = $"{RuleIds.AppliedWhileWithheld}:{report.Source.Id}",
        Priority = Priority.Routine,
        Audience = Audience.Prescriber,
        NeedsApproval = false,
        HasTask = true,
        Due = ClinicZone.StartOf(report.Date.AddDays(course.Protocol.Deadlines.ReviewDays), course.AsOf.Zone),
        Template = "applied-while-withheld",
        Values = ImmutableSortedDictionary<string, string>.Empty.Add("applications", $"{applications}"),
        Rule = RuleIds.AppliedWhileWithheld,
        Evidence = [report.Source],
    };

    /// <summary>Reminds the prescriber of a task that is due and not answered.</summary>
    public static CommunicationIntent Reminder(CommunicationIntent unanswered, DateTimeOffset goesToPoolAt) => new()
    {
        Kind = CommunicationKind.ClinicTask,
        Cause = $"{RuleIds.Unanswered}:{unanswered.Kind.Code()}:{unanswered.Cause}",
        Priority = unanswered.Priority,
        Audience = Audience.Prescriber,
        NeedsApproval = false,
        HasTask = false,
        Due = goesToPoolAt,
        Template = "unanswered-reminder",
        Rule = RuleIds.Unanswered,
        Evidence = unanswered.Evidence,
        Reminds = new CommunicationReference(unanswered.Kind, unanswered.Cause),
    };

    private static CommunicationIntent StepChange(
        CourseTimeline course, string rule, string template, Step to, DateTimeOffset due, ImmutableArray<ResourceVersion> evidence) =>
        new()
        {
            Kind = CommunicationKind.StepChange,
            Cause = $"{template}:{rule}:{course.Segment!.Since:O}:{StepText.Of(to)}",
            Priority = Priority.Routine,
            Audience = Audience.Patient,
            NeedsApproval = true,
            HasTask = true,
            Due = due,
            Template = template,
            Rule = rule,
            Proposed = to,
            Evidence = evidence,
        };

    private static CommunicationIntent Advice(
        string rule, string template, string cause, Priority priority, ImmutableArray<ResourceVersion> evidence) => new()
        {
            Kind = CommunicationKind.CareAdvice,
            Cause = $"{template}:{cause}",
            Priority = priority,
            Audience = Audience.Patient,
            NeedsApproval = false,
            HasTask = false,
            Template = template,
            Rule = rule,
            Evidence = evidence,
        };
}
