using System.Collections.Immutable;
using System.Text.Json;
using System.Text.Json.Nodes;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests;

public sealed class ProtocolValidatorTests
{
    private static readonly string Shipped = File.ReadAllText(Repository.File("contracts", "protocols", "topical-retinoid-titration.json"));

    [Fact]
    public void The_protocol_that_comes_with_the_service_has_no_problems()
    {
        Assert.Empty(ProtocolValidator.Problems(ProtocolJson.Parse(System.Text.Encoding.UTF8.GetBytes(Shipped))));
    }

    [Theory]
    [InlineData("/jurisdiction", "\"mars\"", "/jurisdiction", "none of the jurisdictions")]
    [InlineData("/jurisdictions/2/code", "\"uk-eu\"", "/jurisdictions/2/code", "listed twice")]
    [InlineData("/jurisdictions/2/contraindicatedInPregnancy/0", "\"tazaroten\"", "/jurisdictions/2/contraindicatedInPregnancy/0", "none of the products")]
    [InlineData("/standardLadder/steps/1/everyDays", "3", "/standardLadder/steps/1", "fewer nights")]
    [InlineData("/standardLadder/steps/2/gramsPerApplication", "0.2", "/standardLadder/steps/2", "fewer grams")]
    [InlineData("/standardLadder/steps/1/gramsPerApplication", "0.26", "/standardLadder/steps/1", "raises nights and grams at once")]
    [InlineData("/standardLadder/steps/2/gramsPerApplication", "0.25", "/standardLadder/steps/2", "same nights and grams")]
    [InlineData("/standardLadder/steps/0/everyDays", "3", "/standardLadder/steps/1", "3 times the weekly dose")]
    [InlineData("/stepUp/maximumWeeklyDoseRatio", "1.9", "/cautiousLadder/steps/3", "2 times the weekly dose")]
    [InlineData("/standardLadder/steps/2/gramsPerApplication", "0.51", "/standardLadder/steps/2/gramsPerApplication", "over the face maximum of 0.5 g")]
    [InlineData("/dose/faceMaximumGrams", "0.4", "/cautiousLadder/steps/3/gramsPerApplication", "over the face maximum of 0.4 g")]
    [InlineData("/standardLadder/steps/1/nights", "2", "/standardLadder/steps/1/nights", "more than one a night")]
    [InlineData("/standardLadder/steps/1/everyDays", "0", "/standardLadder/steps", "above 0")]
    [InlineData("/standardLadder/steps", "[]", "/standardLadder/steps", "at least one step")]
    [InlineData("/cautiousLadder/steps/2/barrier", "false", "/cautiousLadder/steps/2/barrier", "drops the barrier support")]
    [InlineData("/products/1/strengthsPercent/1", "1", "/standardLadder/steps/0", "adapalene 1 % at the first step is 2.5 times")]
    [InlineData("/cautiousLadder/minimumDaysOnStep", "13", "/cautiousLadder/minimumDaysOnStep", "must not be faster")]
    [InlineData("/cautiousLadder/steps/0/everyDays", "1.5", "/cautiousLadder/steps/0", "must not be stronger")]
    [InlineData("/standardLadder/steps/2/gramsPerApplication", "0.4", "/cautiousLadder/steps/3", "must not be stronger")]
    [InlineData("/standardLadder/steps/0/barrier", "true", "/standardLadder/steps/1/barrier", "drops the barrier support")]
    [InlineData("/stepUp/minimumExposure", "1.1", "/stepUp/minimumExposure", "no step up could ever")]
    [InlineData("/stepUp/maximumWeeklyDoseRatio", "1", "/stepUp/maximumWeeklyDoseRatio", "above 1")]
    [InlineData("/stepUp/evidenceHoldsDays", "6", "/stepUp/evidenceHoldsDays", "due 7 days later")]
    [InlineData("/checkIns/everyDays", "8", "/stepUp/evidenceHoldsDays", "due 8 days later")]
    [InlineData("/stepUp/minimumApplications", "8", "/standardLadder/steps/0", "plans 7 applications in the 14 days")]
    [InlineData("/standardLadder/minimumDaysOnStep", "10", "/standardLadder/steps/0", "plans 5 applications in the 10 days")]
    [InlineData("/checkIns/afterModerateDays", "9", "/checkIns/afterModerateDays", "must not come later")]
    [InlineData("/checkIns/atTopStepEveryDays", "6", "/checkIns/atTopStepEveryDays", "must not come more often")]
    [InlineData("/checkIns/clinicTaskAfterDays", "3", "/checkIns/clinicTaskAfterDays", "after the second request")]
    [InlineData("/strength/toleratedDays", "91", "/strength/toleratedDays", "do not fit into 90 days")]
    [InlineData("/strength/toleratedCheckIns", "6", "/strength/toleratedCheckIns", "do not fit into 28 days")]
    [InlineData("/gaps/restartNights", "15", "/gaps/restartNights", "more than the 15")]
    [InlineData("/gaps/stepDownNights", "3", "/gaps/stepDownNights", "that far apart")]
    [InlineData("/supply/overUse", "1", "/supply/overUse", "above 1")]
    [InlineData("/supply/underUse", "1", "/supply/underUse", "below 1")]
    [InlineData("/dose/procedureDaysBefore", "7", "/dose/procedureDaysAfter", "together or not at all")]
    [InlineData("/dose/procedureDaysAfter", "7", "/dose/procedureDaysBefore", "together or not at all")]
    [InlineData("/deadlines/statHours", "25", "/deadlines/statHours", "after what is urgent")]
    [InlineData("/deadlines/urgentDays", "8", "/deadlines/reviewDays", "fewer than those of what is urgent")]
    [InlineData("/deadlines/stepChangeUpDays", "2", "/deadlines/stepChangeUpDays", "more pressing than a step down")]
    [InlineData("/findings/0/finding", "\"hives\"", "/findings/2/finding", "has two rules")]
    [InlineData("/findings/0/finding", "\"hives\"", "/findings", "\"breathing-difficulty\" has no rule")]
    [InlineData("/findings/2/priority", "\"urgent\"", "/findings/2", "is an emergency")]
    [InlineData("/findings/4/clearedBy", "\"anyone\"", "/findings/4/clearedBy", "never by a patient's word")]
    [InlineData("/findings/8/priority", "\"routine\"", "/findings/8/priority", "at least \"urgent\"")]
    [InlineData("/findings/7/effect", "\"by-jurisdiction\"", "/findings/7/effect", "speaks of pregnancy only")]
    [InlineData("/findings/14/effect", "\"cautious-ladder\"", "/findings/14/effect", "only \"caution\"")]
    [InlineData("/products/0/strengthsPercent", "[]", "/products/0/strengthsPercent", "at least one strength")]
    [InlineData("/products/0/strengthsPercent/1", "0.025", "/products/0/strengthsPercent/1", "lowest first")]
    [InlineData("/products/3/strengthsPercent/0", "0", "/products/3/strengthsPercent/0", "no strength")]
    [InlineData("/products/0/codes/2/strengthPercent", "0.03", "/products/0/codes/2/strengthPercent", "none of the strengths of tretinoin")]
    [InlineData("/products/1/codes/0/code", "\"D10AD01\"", "/products/1/codes/0", "listed already (/products/0/codes/0)")]
    [InlineData("/interactingTopicals/1/codes/0/code", "\"D10AD02\"", "/interactingTopicals/1/codes/0", "listed already (/otherRetinoids/0/codes/0)")]
    [InlineData("/otherRetinoids/0/ingredient", "\"adapalene\"", "/otherRetinoids/0/ingredient", "listed already (/products/1)")]
    public void One_wrong_value_gives_the_problem_where_it_is(string path, string value, string at, string says)
    {
        Assert.Contains(ProblemsWith((path, value)), p => p.Path == at && p.Problem.Contains(says, StringComparison.Ordinal));
    }

    [Theory]
    [InlineData("/standardLadder/minimumDaysOnStep", "12")]
    [InlineData("/stepUp/minimumExposure", "1")]
    [InlineData("/stepUp/minimumApplications", "7")]
    [InlineData("/stepUp/evidenceHoldsDays", "8")]
    [InlineData("/gaps/restartNights", "16")]
    [InlineData("/strength/toleratedCheckIns", "5")]
    [InlineData("/findings/8/effect", "\"discontinue\"")]
    [InlineData("/deadlines/statHours", "24")]
    public void A_value_at_its_limit_is_no_problem(string path, string value)
    {
        Assert.Empty(ProblemsWith((path, value)));
    }

    [Fact]
    public void All_problems_are_reported_and_not_the_first_only()
    {
        string[] paths =
        [
            .. ProblemsWith(("/jurisdiction", "\"mars\""), ("/gaps/restartNights", "15"), ("/supply/overUse", "1"), ("/dose/procedureDaysAfter", "7")).Select(p => p.Path),
        ];
        Assert.Equal(["/jurisdiction", "/gaps/restartNights", "/supply/overUse", "/dose/procedureDaysBefore"], paths);
    }

    [Fact]
    public void Every_finding_needs_a_rule()
    {
        ImmutableArray<ProtocolProblem> problems = ProblemsWith(("/findings", "[]"));
        Assert.All(Enum.GetValues<FindingKind>(), kind => Assert.Contains(problems, p => p.Problem.StartsWith($"\"{kind.Code()}\" has no rule", StringComparison.Ordinal)));
    }

    private static ImmutableArray<ProtocolProblem> ProblemsWith(params ReadOnlySpan<(string Path, string Value)> changes)
    {
        JsonNode protocol = JsonNode.Parse(Shipped)!;
        foreach ((string path, string value) in changes)
        {
            string[] parts = path.Split('/')[1..];
            JsonNode parent = protocol;
            foreach (string part in parts[..^1])
            {
                parent = parent is JsonArray array ? array[int.Parse(part, null)]! : parent[part]!;
            }

            if (parent is JsonArray list)
            {
                list[int.Parse(parts[^1], null)] = JsonNode.Parse(value);
            }
            else
            {
                Assert.True(parent.AsObject().ContainsKey(parts[^1]), $"the protocol has no {path}");
                parent[parts[^1]] = JsonNode.Parse(value);
            }
        }

        return ProtocolValidator.Problems(ProtocolJson.Parse(JsonSerializer.SerializeToUtf8Bytes(protocol)));
    }
}
