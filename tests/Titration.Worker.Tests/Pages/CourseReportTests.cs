using System.Collections.Immutable;
using System.Text.RegularExpressions;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.Worker.Configuration;
using Titration.Worker.Explaining;
using Titration.Worker.Pages;
using Xunit;

namespace Titration.Worker.Tests.Pages;

/// <summary>The page of a course.</summary>
public sealed partial class CourseReportTests
{
    private const string Hostile = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)> &lt; -- ]]> \u0007";

    [Fact]
    public void Hostile_text_in_any_field_stays_text()
    {
        string tame = CourseReport.Of(Course("tame"), "tame");
        string hostile = CourseReport.Of(Course(Hostile), Hostile);

        Assert.Contains("&lt;script&gt;alert(1)&lt;/script&gt;", hostile, StringComparison.Ordinal);
        Assert.Equal(Skeleton(tame), Skeleton(hostile));
    }

    [Fact]
    public void The_comparison_sees_markup_that_got_through() =>
        Assert.NotEqual(Skeleton("<p>tame</p>"), Skeleton($"<p>{Hostile}</p>"));

    [Fact]
    public void Each_decision_stands_there_with_its_rules_numbers_facts_and_what_would_have_changed_it()
    {
        string page = CourseReport.Of(Course("p1"), "the clinic");

        Assert.Contains("7 applied of 6.5 planned over 13 reported nights", page, StringComparison.Ordinal);
        Assert.Contains("<code>Observation/<wbr>obs2/<wbr>_history/<wbr>1</code>", page, StringComparison.Ordinal);
        Assert.Contains("without Observation/obs2/_history/1: AwaitCheckIn (silence)", page, StringComparison.Ordinal);
        Assert.Contains("proposed by decision <a href=\"#d1\">1</a>, approved 2026-03-16 10:00", page, StringComparison.Ordinal);
    }

    [Fact]
    public void It_refers_to_nothing_outside_of_itself_and_runs_nothing()
    {
        string page = CourseReport.Of(Course("p1"), "the clinic");

        Assert.All(Address().Matches(page), a => Assert.StartsWith("#", a.Groups["to"].Value, StringComparison.Ordinal));
        Assert.DoesNotContain("<script", page, StringComparison.OrdinalIgnoreCase);
        Assert.Contains("default-src &#x27;none&#x27;", page, StringComparison.Ordinal);
    }

    /// <summary>A step up that was approved and ordered; every text that a clinic's resources give is replaced.</summary>
    private static CourseExplanation Course(string text)
    {
        Story story = new Story().Order("2026-03-01T10:00").CheckIn("2026-03-06T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4);
        Evaluation evaluation = story.AsOf("2026-03-15T08:00");
        PatientHistory history = new("p1", story.Facts);
        ClinicPolicy policy = Policy(story.Zone);
        Guid decision = Reconciliation.DecisionId("p1", 1);
        ImmutableArray<Counterfactual>? otherwise = Counterfactual.Of(evaluation, history, policy.Protocol, new AsOf(evaluation.AsOf, policy.Zone));
        Story later = story.Order("2026-03-16T10:00", id: "rx2", perDays: 1).Finding("2026-03-17T10:00", FindingKind.Sunburn, id: text).EffectSeen("2026-03-17T11:00", Effect.MoreWanted);
        Evaluation standing = later.AsOf("2026-03-18T08:00");
        CourseRecord record = Assert.Single(TitrationPolicy.Records(new PatientHistory("p1", later.Facts), policy.Protocol, new AsOf(standing.AsOf, policy.Zone)));
        bool replace = text is "tame" or Hostile;
        string Or(string own) => replace ? text : own;
        return new CourseExplanation
        {
            Course = record.Course with { Patient = Or("p1"), Ingredient = Or("tretinoin"), Area = Or("face") },
            Policy = policy with { Protocol = policy.Protocol with { Name = Or("name"), Version = Or("1") } },
            Figures = null,
            Mode = OperatingMode.Shadow,
            Standing = Replaced(standing),
            Record = record with { Findings = [.. record.Findings.Select(f => f with { Code = Or(f.Code) })] },
            Decisions = [new ExplainedDecision(1, decision, 1, Or("hash"), Or("policy"), Or("digest"), Replaced(evaluation), otherwise)],
            Communications =
            [
                .. evaluation.Communications.Select(c => new ExplainedCommunication(
                    Guid.Empty, c, evaluation.AsOf, decision, null, true,
                    [new CommunicationEvent(later.Local("2026-03-16T10:00"), CommunicationEvent.ApprovedKind, Or("approved by Task/1")), new CommunicationEvent(null, "refused", Or("refused"))], [Or("CommunicationRequest/1")])),
            ],
        };

        Evaluation Replaced(Evaluation of) => of with
        {
            Reasons = [.. of.Reasons.Select(r => r with
            {
                Text = Or(r.Text),
                Rule = Or(r.Rule),
                Evidence = [.. r.Evidence.Select((e, i) => replace ? e with { Id = $"{text}{e.Type}{i}", VersionId = text } : e)],
            })],
        };
    }

    private static ClinicPolicy Policy(TimeZoneInfo zone)
    {
        List<string> problems = [];
        return ClinicPolicy.Load("", "", "", zone, problems) ?? throw new InvalidOperationException(string.Join('\n', problems));
    }

    /// <summary>The markup without what stands in it: tags and the names of their attributes. Places to break follow the slashes of a text, so they are left out.</summary>
    private static string Skeleton(string page) => string.Join('\n', Tag().Matches(page).Select(t => Value().Replace(t.Value, "")).Where(t => t != "<wbr>"));

    [GeneratedRegex("<(?:[^<>\"]|\"[^\"]*\")*>", RegexOptions.ExplicitCapture, 1000)]
    private static partial Regex Tag();

    [GeneratedRegex("\"[^\"]*\"", RegexOptions.ExplicitCapture, 1000)]
    private static partial Regex Value();

    [GeneratedRegex("(?:href|src|srcset|action|data)=\"(?<to>[^\"]*)\"|url\\((?<to>[^)]*)\\)", RegexOptions.ExplicitCapture, 1000)]
    private static partial Regex Address();
}
