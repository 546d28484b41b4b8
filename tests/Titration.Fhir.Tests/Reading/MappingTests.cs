using System.Text;
using System.Text.Json;
using System.Text.Json.Nodes;
using Json.Schema;
using Titration.Fhir.Reading;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;
using Vocabulary = Titration.Fhir.Reading.Vocabulary;

namespace Titration.Fhir.Tests.Reading;

public sealed class MappingTests
{
    private static readonly JsonSchema Schema = JsonSchema.FromFile(Repository.File("contracts", "mapping.schema.json"));

    [Fact]
    public void The_example_has_no_problems_and_follows_the_schema()
    {
        Assert.Empty(Readers.Mapping.Problems(Readers.Protocol));
        Assert.True(FollowsSchema(File.ReadAllText(Repository.File("contracts", "mapping.example.json"))));
    }

    [Fact]
    public void The_schema_lists_exactly_the_meanings_there_are()
    {
        JsonNode schema = JsonNode.Parse(File.ReadAllText(Repository.File("contracts", "mapping.schema.json")))!;
        IEnumerable<string> listed = schema["properties"]!["observations"]!["items"]!["properties"]!["means"]!["enum"]!.AsArray().Select(n => n!.GetValue<string>());

        Assert.Equal(
            Enum.GetValues<Sign>().Select(s => s.Code()).Concat(Enum.GetValues<FindingKind>().Select(k => k.Code())).Concat(
                ["checkin-panel", "nights-applied", "missed-applications", "procedure-planned", "recovered", "effect", "follow-up"]).Order(StringComparer.Ordinal),
            listed.Order(StringComparer.Ordinal));
    }

    [Fact]
    public void Every_problem_is_told_with_its_place()
    {
        MappingFile mapping = Parse("""
            {
              "name": "x", "version": "1",
              "products": [
                { "system": "s", "code": "a", "ingredient": "moonlight" },
                { "system": "s", "code": "b", "ingredient": "tretinoin", "strengthPercent": 7 },
                { "system": "s", "code": "b", "ingredient": "tretinoin" },
                { "system": "http://www.whocc.no/atc", "code": "D10AD01", "ingredient": "tretinoin" }
              ],
              "observations": [
                { "system": "s", "code": "a", "means": "happiness" },
                { "system": "http://snomed.info/sct", "code": "247441003", "means": "dryness" }
              ],
              "answers": [
                { "system": "s", "code": "a", "grade": 4 },
                { "system": "s", "code": "b" },
                { "system": "s", "code": "c", "grade": 1, "boolean": true }
              ],
              "units": [{ "system": "", "code": "", "grams": 0 }],
              "ignored": [{ "system": "", "code": "x" }]
            }
            """);

        Assert.Equal<IEnumerable<string>>(
            [
                "answers[0].grade", "answers[1]", "answers[2]", "ignored[0]", "observations[0].means", "observations[1].code",
                "products[0].ingredient", "products[1].strengthPercent", "products[2].code", "products[3].code", "units[0]", "units[0].grams",
            ],
            mapping.Problems(Readers.Protocol).Select(p => p.Path).Order(StringComparer.Ordinal));
        Assert.Throws<ArgumentException>(() => Vocabulary.Of(Readers.Protocol, mapping));
    }

    [Theory]
    [InlineData("""{"name":"x","version":"1","prodcuts":[]}""")]
    [InlineData("""{"name":"x"}""")]
    [InlineData("""{"name":"x","version":"1","units":[{"system":"s","code":"c"}]}""")]
    [InlineData("""{"name":"x","version":"1","units":[{"system":"s","code":"c","grams":"1"}]}""")]
    [InlineData("""{"name":"x","version":"1","answers":[{"system":"s","code":"c","effect":"superb"}]}""")]
    [InlineData("null")]
    public void A_file_of_another_shape_is_refused_by_reader_and_schema_alike(string json)
    {
        Assert.Throws<JsonException>(() => Parse(json));
        Assert.False(FollowsSchema(json));
    }

    private static MappingFile Parse(string json) => MappingJson.Parse(Encoding.UTF8.GetBytes(json));

    private static bool FollowsSchema(string json)
    {
        using JsonDocument document = JsonDocument.Parse(json);
        return Schema.Evaluate(document.RootElement).IsValid;
    }
}
