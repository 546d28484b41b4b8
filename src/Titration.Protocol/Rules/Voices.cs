using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>What the rules say of one course at one instant. Every rule speaks; the most cautious voice decides.</summary>
internal sealed class Voices(CourseTimeline course)
{
    private DateOnly? _earliestDate;
    private DateTimeOffset? _earliestInstant;

    public List<RuleResult> Results { get; } = [];

    public List<CommunicationIntent> Communications { get; } = [];

    public List<StandingFinding> Findings { get; } = [];

    /// <summary>When time alone may change what the rules say.</summary>
    public DateTimeOffset? NextLook => _earliestDate is { } date && ClinicZone.StartOf(date, course.AsOf.Zone) is var start
        && start > course.AsOf.Instant && !(start >= _earliestInstant)
            ? start
            : _earliestInstant;

    public void Say(string rule, Outcome outcome, string text, ImmutableArray<ResourceVersion> evidence, Step? proposed = null) =>
        Results.Add(new RuleResult(rule, outcome, text, evidence) { Proposed = proposed });

    public void Tell(CommunicationIntent intent) => Communications.Add(intent);

    public void Find(string code, DateOnly since, ImmutableArray<ResourceVersion> evidence) =>
        Findings.Add(new StandingFinding(code, since, evidence));

    /// <summary>Look again at the start of this clinic-local date, where it is still to come.</summary>
    public void LookOn(DateOnly date)
    {
        // Where clocks go back over midnight, tomorrow may have begun once already.
        if (date > course.Today && !(date >= _earliestDate)
            && (date > course.Today.AddDays(1) || ClinicZone.StartOf(date, course.AsOf.Zone) > course.AsOf.Instant))
        {
            _earliestDate = date;
        }
    }

    /// <summary>Look again at this instant, where it is still to come.</summary>
    public void LookAt(DateTimeOffset? instant)
    {
        if (instant > course.AsOf.Instant && !(instant >= _earliestInstant))
        {
            _earliestInstant = instant;
        }
    }

    /// <summary>The most cautious outcome that any rule spoke for so far.</summary>
    public Outcome? Lowest()
    {
        Outcome? lowest = null;
        foreach (RuleResult result in Results)
        {
            lowest = lowest <= result.Outcome ? lowest : result.Outcome;
        }

        return lowest;
    }
}
