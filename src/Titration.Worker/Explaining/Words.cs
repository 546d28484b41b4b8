using System.Globalization;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.Storage.Model;

namespace Titration.Worker.Explaining;

/// <summary>The words that terminal and page have in common.</summary>
internal static class Words
{
    /// <summary>What was decided, with the step that it proposes.</summary>
    public static string Of(Evaluation evaluation) => evaluation switch
    {
        { NotFollowed: { } not, Outcome: null } => $"no outcome: {WhyOf(not)}",
        { NotFollowed: { } not } => $"{Of(evaluation.Outcome, evaluation.Proposed)}, although {WhyOf(not)}: it is urgent",
        _ => Of(evaluation.Outcome, evaluation.Proposed),
    };

    /// <summary>What a mode other than live does to what is shown; null: nothing.</summary>
    public static string? MeaningOf(OperatingMode mode) => mode switch
    {
        OperatingMode.Live => null,
        OperatingMode.Shadow => "nothing is sent; what is shown as open would have been",
        OperatingMode.Paused => "only safety referrals and withdrawals are sent; the rest waits",
    };

    /// <summary>In place of an outcome, in a word or two.</summary>
    public static string InShort(Outcome? outcome, bool followed) => outcome?.Code() ?? (followed ? "ended" : "not followed");

    private static string WhyOf(NotFollowed not) => not.Evidence is { } ended ? $"the patient is no longer followed ({ended.Reference})" : "no clinician has enrolled the patient";

    /// <summary>An outcome with the step that it proposes.</summary>
    public static string Of(Outcome? outcome, Step? proposed) => (outcome, proposed) switch
    {
        (null, _) => "no outcome: the course has ended",
        ({ } o, { } step) => $"{o.Code()} to {StepText.Of(step)}",
        ({ } o, null) => o.Code(),
    };

    /// <summary>What would have changed an outcome, as a sentence without its full stop.</summary>
    public static string Of(Counterfactual counterfactual, TimeZoneInfo zone)
    {
        string change = counterfactual.Change switch
        {
            Change.Later later => $"the same facts, looked at from {Local(later.At, zone)} on",
            Change.CheckIn { Grade: Grade.None } => "a complete check-in at that time without any sign, and every planned application made",
            Change.CheckIn added => $"a check-in at that time with every sign at {(int)added.Grade}",
            Change.GoodCheckInOn good => $"nothing else new, and at the earliest a complete check-in without any sign on {good.Date:yyyy-MM-dd}, every planned application made",
            Change.Without gone => $"without {gone.Source.Reference}",
            _ => throw new System.Diagnostics.UnreachableException(),
        };
        return $"{change}: {Of(counterfactual.Outcome, counterfactual.Proposed)}{(counterfactual is { Rule: { } rule, Outcome: < Outcome.StepUp } ? $" ({rule})" : "")}";
    }

    /// <summary>Clinic-local time to the minute.</summary>
    public static string Local(DateTimeOffset instant, TimeZoneInfo zone) =>
        TimeZoneInfo.ConvertTime(instant, zone).ToString("yyyy-MM-dd HH:mm", CultureInfo.InvariantCulture);

    /// <summary>A communication in a line: what, to whom, how pressing.</summary>
    public static string Of(ExplainedCommunication communication) =>
        $"{communication.Intent.Kind.Code()}{(communication.Intent.Proposed is { } step ? $" ({StepText.Of(step)})" : "")} to {AudienceOf(communication)}, {communication.Intent.Priority.Code()}";

    private static string AudienceOf(ExplainedCommunication communication) =>
        $"the {communication.Intent.Audience.Code()}{(communication.Intent.NeedsApproval ? " once approved" : "")}";

    /// <summary>What became of a communication, each event with its time.</summary>
    public static string FateOf(ExplainedCommunication communication, TimeZoneInfo zone)
    {
        IEnumerable<string> events = communication.Fate.Select(e => e.At is { } at ? $"{e.Text} {Local(at, zone)}" : e.Text);
        return communication.Fate.IsEmpty ? "not sent yet" : string.Join("; ", events);
    }

    public static string SignName(Sign sign) => sign switch
    {
        Sign.Erythema => "erythema",
        Sign.Scaling => "scaling",
        Sign.Dryness => "dryness",
        Sign.Burning => "burning",
        Sign.Pruritus => "itch",
    };
}
