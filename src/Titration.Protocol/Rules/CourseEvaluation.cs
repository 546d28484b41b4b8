using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Protocol.Supply;

namespace Titration.Protocol.Rules;

/// <summary>One course at one instant: lets every rule speak and takes the most cautious.</summary>
internal static class CourseEvaluation
{
    public static Evaluation Of(CourseTimeline course, DateTimeOffset? nextFact, NotFollowed? notFollowed)
    {
        Voices voices = new(course);
        voices.LookAt(nextFact);
        foreach (StepSegment later in course.Orders.Segments)
        {
            voices.LookOn(later.Since);
        }

        if (course.Patient is { Deceased: true } or { Active: false })
        {
            return Result(course, voices, outcome: null);
        }

        StopFindings.Speak(course, voices);
        List<WithholdCause> causes = FindWithheldNights(course, voices);
        if (course.Orders.State == OrderState.Ended)
        {
            return Ended(course, causes, voices);
        }

        if (notFollowed is not null)
        {
            return OfNotFollowed(course, causes, voices, notFollowed);
        }

        Withholding.Speak(course, causes, voices);
        Reviews.Speak(course, voices);
        if (Areas.IsSensitive(course.Course.Area))
        {
            voices.Say(
                RuleIds.SensitiveArea, Outcome.Maintain,
                $"the area {course.Course.Area} (eyelid, neck, chest or upper lip) is out of scope for a new course: nothing is proposed, asked or reminded of; findings still speak",
                [course.Orders.Order!.Source]);
        }
        else if (course.Segment is { } segment)
        {
            OnStep(course, segment, voices);
        }
        else if (course.Orders.Segments.Length > 0)
        {
            voices.LookOn(course.Day0);
            voices.Say(RuleIds.NotBegun, Outcome.Maintain, $"the first night is {course.Day0:O}", [course.Orders.Order!.Source]);
        }

        return Decide(course, voices);
    }

    /// <summary>Gives the course its withheld nights, and the supply that depends on them.</summary>
    /// <returns>The causes that no order has answered.</returns>
    public static List<WithholdCause> FindWithheldNights(CourseTimeline course, Voices voices)
    {
        List<WithholdCause> causes = WithholdCause.Of(course, voices);
        course.WithholdSince(WithheldSince(course, causes));
        course.Supply = SupplyPosition.Of(course);
        return causes;
    }

    /// <summary>A course whose first order is dated ahead: nothing to say, and a time to look.</summary>
    public static Evaluation NotBegun(CourseTimeline course, DateTimeOffset? nextFact)
    {
        Voices voices = new(course);
        voices.LookAt(nextFact);
        return Result(course, voices, outcome: null);
    }

    private static void OnStep(CourseTimeline course, StepSegment segment, Voices voices)
    {
        Severity.Speak(course, voices);
        Gaps.Speak(course, voices);
        AppliedWhileWithheld.Speak(course, voices);
        Interacting.Speak(course, voices);
        EffectReview.Speak(course, voices);
        StepUpCase steppingUp = StepUpCase.Of(course, segment, voices);
        Silence.Speak(course, steppingUp, voices);
        bool wouldStepUp = steppingUp.IsOpen && voices.Lowest() is null;
        if (wouldStepUp && Declined(course, Outcome.StepUp, voices))
        {
            wouldStepUp = false;
        }
        else if (wouldStepUp && !Reviews.AgeKnown(course))
        {
            wouldStepUp = !Reviews.AgeUnknown(course, voices);
        }

        foreach (Gate gate in steppingUp.Gates)
        {
            voices.Say(gate.Rule, gate.IsOpen ? Outcome.StepUp : Outcome.Maintain, gate.Text, gate.Evidence, gate.Rule == RuleIds.Order ? steppingUp.Next : null);
        }

        if (wouldStepUp)
        {
            DateOnly since = steppingUp.Gates.Max(g => g.OpenSince!.Value);
            voices.Tell(Intents.StepUp(course, steppingUp.Next!, since, [.. steppingUp.Gates.SelectMany(g => g.Evidence).Distinct()]));
        }

        Supply.Speak(course, voices);
    }

    /// <summary>Whether a clinician declined just this recently: then the next rank is the outcome, and the record says so.</summary>
    public static bool Declined(CourseTimeline course, Outcome outcome, Voices voices)
    {
        if (course.Answers.RejectionOf(outcome, course) is not { } rejected)
        {
            return false;
        }

        DateOnly until = CourseAnswers.Until(rejected, course);
        voices.LookOn(until);
        voices.Say(
            RuleIds.Declined, Outcome.Maintain, $"{outcome.Code()} was declined; it is not proposed again before {until:O} unless its grounds change",
            [rejected.Source]);
        return true;
    }

    /// <summary>
    /// Nights are withheld from that of the causing fact, never from when we decided. A stop finding that stands withholds like any cause.
    /// </summary>
    private static DateOnly? WithheldSince(CourseTimeline course, List<WithholdCause> causes)
    {
        DateOnly? since = causes.Count > 0 ? causes.Min(c => c.Date) : null;
        foreach (ReportedFinding finding in course.Findings)
        {
            if (finding.ClearedAt is null && !StopFindings.AnsweredByOrder(course, finding) && StopFindings.Bears(finding) && StopFindings.Stops(course, finding) && !(finding.Date >= since))
            {
                since = finding.Date;
            }
        }

        return StopFindings.EarlySevereOf(course) is { ClearedAt: null } early && !(early.Day.Date >= since) ? early.Day.Date : since;
    }

    /// <summary>
    /// A course that has ended has no outcome, and nothing is proposed or asked. A referral stands until it is answered, and a stop
    /// finding or a grade 3 shortly after the end still raises one: safety never waits for a prescription.
    /// </summary>
    private static Evaluation Ended(CourseTimeline course, List<WithholdCause> causes, Voices voices)
    {
        DateOnly end = course.Orders.EndedOn!.Value;
        DateOnly until = end.AddDays(course.Protocol.Severity.AfterEndDays);
        foreach (WithholdCause cause in causes)
        {
            if (cause.Date <= (cause.Rule == RuleIds.Severe ? until : end) && cause.Rule is not (RuleIds.AnotherRetinoid or RuleIds.Procedure))
            {
                voices.Tell(Intents.WithholdReferral(course.Protocol, cause));
            }
        }

        HashSet<string> inTime = [.. voices.Findings.Where(f => f.Since <= until).Select(f => f.Code), .. causes.Select(c => c.Code)];
        voices.Communications.RemoveAll(c => c.Kind != CommunicationKind.SafetyReferral || !inTime.Contains(c.Finding!)
            || course.Answers.AnsweredAt(c.Kind, c.Cause) is not null);
        voices.Results.Clear();
        return Result(course, voices, outcome: null);
    }

    /// <summary>
    /// Of a patient who is not followed only what is urgent speaks: nothing is proposed, asked or reminded of. A referral keeps its message to the
    /// patient, since the treatment goes on.
    /// </summary>
    private static Evaluation OfNotFollowed(CourseTimeline course, List<WithholdCause> causes, Voices voices, NotFollowed notFollowed)
    {
        foreach (WithholdCause cause in causes)
        {
            Withholding.Withhold(course, cause, voices);
        }

        Reviews.Speak(course, voices);
        voices.Communications.RemoveAll(c => c.Priority == Priority.Routine || c.Kind is not (CommunicationKind.SafetyReferral or CommunicationKind.Review));
        HashSet<string> urgent = [.. voices.Communications.Select(c => c.Rule)];
        voices.Results.RemoveAll(r => !urgent.Contains(r.Rule));
        Outcome? outcome = voices.Lowest();
        if (outcome <= Outcome.Withhold)
        {
            FixedMessage(course, voices, outcome.Value);
        }

        return Result(course, voices, outcome) with { NotFollowed = notFollowed };
    }

    private static Evaluation Decide(CourseTimeline course, Voices voices)
    {
        Outcome outcome = voices.Lowest() ?? Outcome.RequestReview;
        if (outcome <= Outcome.Withhold)
        {
            voices.Communications.RemoveAll(c => c.Kind is CommunicationKind.StepChange or CommunicationKind.EffectReview);
            FixedMessage(course, voices, outcome);
        }

        return Result(course, voices, outcome);
    }

    /// <summary>The one message to the patient that nobody approved: leave it out and wait. Once, for the most pressing cause.</summary>
    private static void FixedMessage(CourseTimeline course, Voices voices, Outcome outcome)
    {
        CommunicationIntent? referral = voices.Communications
            .Where(c => c.Kind == CommunicationKind.SafetyReferral && (outcome == Outcome.Withhold || StopRules.Contains(c.Rule)))
            .MaxBy(c => c.Priority);
        if (course.Protocol.FixedPatientMessages && referral is not null)
        {
            string template = outcome == Outcome.Withhold ? "leave-out" : referral.Priority == Priority.Stat ? "stop-emergency" : "stop-and-wait";
            voices.Tell(Intents.FixedMessage(referral.Rule, template, referral.Cause, referral.Priority, referral.Evidence));
        }
    }

    private static readonly HashSet<string> StopRules = new(StringComparer.Ordinal) { RuleIds.StopFinding, RuleIds.EarlySevere };

    private static Evaluation Result(CourseTimeline course, Voices voices, Outcome? outcome)
    {
        Unanswered.Follow(voices.Communications, course.Answers, course.Protocol, course.AsOf.Instant, at => voices.LookAt(at));
        ImmutableArray<RuleResult> reasons = MostCautiousFirst(voices.Results);
        return new Evaluation
        {
            Course = course.Course,
            Patient = course.Course.Patient,
            AsOf = course.AsOf.Instant,
            Outcome = outcome,
            Step = course.Segment is { } segment ? new StepInForce(segment.Step, segment.Since) : null,
            Proposed = outcome is Outcome.StepUp or Outcome.StepDown or Outcome.Resume ? reasons.First(r => r.Outcome == outcome && r.Proposed is not null).Proposed : null,
            Reasons = reasons,
            Findings = [.. voices.Findings],
            Communications = [.. voices.Communications],
            NextLook = voices.NextLook,
            Order = course.Orders.Order?.Source,
            Prescriber = course.Orders.Order?.Prescriber,
        };
    }

    /// <summary>Of two that step down the lower step decides; what is equal stays as the rules spoke.</summary>
    private static ImmutableArray<RuleResult> MostCautiousFirst(List<RuleResult> results)
    {
        ImmutableArray<RuleResult>.Builder sorted = ImmutableArray.CreateBuilder<RuleResult>(results.Count);
        foreach (RuleResult result in results)
        {
            int at = sorted.Count;
            while (at > 0 && IsMoreCautious(result, sorted[at - 1]))
            {
                at--;
            }

            sorted.Insert(at, result);
        }

        return sorted.DrainToImmutable();
    }

    private static bool IsMoreCautious(RuleResult a, RuleResult b) =>
        a.Outcome < b.Outcome
        || (a.Outcome == Outcome.StepDown && b.Outcome == Outcome.StepDown && a.Proposed!.WeeklyActiveMilligrams < b.Proposed!.WeeklyActiveMilligrams);
}
