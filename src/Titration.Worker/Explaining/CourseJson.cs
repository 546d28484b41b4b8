using Titration.Protocol.Courses;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;

namespace Titration.Worker.Explaining;

/// <summary>A course as JSON for programs. Instants are UTC, dates the clinic's.</summary>
internal static class CourseJson
{
    public static object Of(CourseExplanation course, CourseQuestion question) => new
    {
        course = course.Course.Id,
        patient = $"Patient/{course.Course.Patient}",
        ingredient = course.Course.Ingredient,
        area = course.Course.Area,
        timeZone = course.Policy.Zone.Id,
        mode = course.Mode.Code(),
        lookedAt = course.Standing.AsOf.ToUniversalTime(),
        followed = course.Standing.NotFollowed is null,
        outcome = course.Standing.Outcome?.Code(),
        step = course.Standing.Step is { } step ? new { text = StepText.Of(step.Step), since = step.Since } : null,
        proposed = course.Standing.Proposed is { } proposed ? StepText.Of(proposed) : null,
        nextLook = course.Standing.NextLook?.ToUniversalTime(),
        open = course.Open.Select(c => c.Key),
        steps = course.Record?.Steps.Where(s => question.Includes(s.Since, StepDecisions(course, s))).Select(s => Shape(course, s)),
        checkIns = course.Record?.CheckIns.Where(d => question.Includes(d.Date, [])).Select(d => new
        {
            date = d.Date,
            grades = Enum.GetValues<Sign>().ToDictionary(s => s.Code(), s => (int?)d.Grades[(int)s], StringComparer.Ordinal),
            complete = d.IsComplete,
            evidence = References(d.Evidence),
        }),
        nights = course.Record?.Nights.Where(n => question.Includes(n.Date, [])).Select(n => new { date = n.Date, from = n.From, until = n.Until, planned = n.Planned, applied = n.Applied, evidence = n.Source.Reference }),
        withheld = course.Record?.Withheld.Where(w => question.Includes(w.From, [])).Select(w => new { from = w.From, until = w.Until }),
        findings = course.Record?.Findings.Where(f => question.Includes(f.Date, [])).Select(f => new { code = f.Code, date = f.Date, clearedOn = f.ClearedOn, evidence = f.Source.Reference }),
        effects = course.Record?.Effects.Where(e => question.Includes(e.Date, [])).Select(e => new { effect = e.Effect.Code(), date = e.Date, evidence = e.Source.Reference }),
        decisions = course.Decisions.Where(d => question.Includes(course.Date(d.Evaluation.AsOf), [d.Id])).Select(d => Shape(course, d)),
        communications = course.Communications.Where(c => question.Includes(course.Date(c.OpenedAt), [c.OpenedBy])).Select(Shape),
    };

    private static IReadOnlyCollection<Guid> StepDecisions(CourseExplanation course, StepPeriod step) => course.ProposalOf(step) is { } proposal ? [proposal.OpenedBy] : [];

    private static object Shape(CourseExplanation course, StepPeriod step)
    {
        ExplainedCommunication? proposal = course.ProposalOf(step);
        return new
        {
            text = StepText.Of(step.Step),
            strengthPercent = step.Step.StrengthPercent,
            nightsPerWeek = step.Step.Frequency.NightsPerWeek,
            gramsPerApplication = step.Step.GramsPerApplication,
            barrier = step.Step.Barrier,
            since = step.Since,
            until = step.Until,
            order = step.Order.Reference,
            proposedBy = proposal?.OpenedBy,
            approvedAt = proposal?.Approved!.At!.Value.ToUniversalTime(),
        };
    }

    private static object Shape(CourseExplanation course, ExplainedDecision decision) => new
    {
        id = decision.Id,
        number = decision.Number,
        at = decision.Evaluation.AsOf.ToUniversalTime(),
        date = course.Date(decision.Evaluation.AsOf),
        followed = decision.Evaluation.NotFollowed is null,
        outcome = decision.Evaluation.Outcome?.Code(),
        rule = decision.Evaluation.Reasons.IsEmpty ? null : decision.Evaluation.Reasons[0].Rule,
        step = decision.Evaluation.Step is { } step ? StepText.Of(step.Step) : null,
        proposed = decision.Evaluation.Proposed is { } proposed ? StepText.Of(proposed) : null,
        reasons = decision.Evaluation.Reasons.Select(r => new { rule = r.Rule, outcome = r.Outcome.Code(), text = r.Text, evidence = References(r.Evidence) }),
        otherwise = decision.Otherwise?.Select(c => Shape(c, course.Policy.Zone)),
        policyHash = decision.PolicyHash,
        inputDigest = decision.InputDigest,
        sequence = decision.Sequence,
        hash = decision.Hash,
    };

    private static object Shape(Counterfactual counterfactual, TimeZoneInfo zone) => new
    {
        outcome = counterfactual.Outcome?.Code(),
        rule = counterfactual.Rule,
        proposed = counterfactual.Proposed is { } proposed ? StepText.Of(proposed) : null,
        text = Words.Of(counterfactual, zone),
    };

    private static object Shape(ExplainedCommunication communication) => new
    {
        key = communication.Key,
        kind = communication.Intent.Kind.Code(),
        priority = communication.Intent.Priority.Code(),
        audience = communication.Intent.Audience.Code(),
        needsApproval = communication.Intent.NeedsApproval,
        proposed = communication.Intent.Proposed is { } proposed ? StepText.Of(proposed) : null,
        openedAt = communication.OpenedAt.ToUniversalTime(),
        openedBy = communication.OpenedBy,
        closedBy = communication.ClosedBy,
        open = communication.IsOpen,
        fate = communication.Fate.Select(e => new { at = e.At?.ToUniversalTime(), what = e.Kind, text = e.Text }),
        resources = communication.Resources,
    };

    private static IEnumerable<string> References(IEnumerable<ResourceVersion> evidence) => evidence.Select(e => e.Reference);
}
