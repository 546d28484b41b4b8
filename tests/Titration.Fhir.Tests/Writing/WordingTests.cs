using System.Collections.Immutable;
using System.Text;
using System.Text.Json;
using System.Text.Json.Nodes;
using Json.Schema;
using Titration.Fhir.Writing;
using Titration.TestKit;
using Xunit;

namespace Titration.Fhir.Tests.Writing;

public sealed class WordingTests
{
    private static readonly JsonSchema Schema = JsonSchema.FromText(File.ReadAllText(Repository.File("contracts", "wording.schema.json")));

    public static TheoryData<string> Files => [.. Scenario.WordingFiles().Select(f => f.Name)];

    [Fact]
    public void The_wordings_of_the_repository_are_complete_in_each_language()
    {
        WordingReading reading = Wording.Read(Scenario.WordingFiles());
        Assert.Empty(reading.Problems);
        Assert.Equal(["de", "en"], reading.Wording!.Languages);
    }

    [Theory]
    [MemberData(nameof(Files))]
    public void A_wording_is_valid_by_its_schema(string file)
    {
        Assert.True(IsValid(JsonNode.Parse(File.ReadAllText(Repository.File("contracts", "wording", file)))!));
    }

    [Fact]
    public void The_schema_refuses_what_the_reader_refuses_as_missing()
    {
        foreach (string path in WordingTexts.Required.Keys)
        {
            JsonObject wording = English();
            Remove(wording, path.Split('.'));
            Assert.Contains(Problems(wording), p => p.Path.StartsWith(path.StartsWith("formats.months", StringComparison.Ordinal) ? "formats.months" : path, StringComparison.Ordinal));
            Assert.False(IsValid(wording), path);
        }
    }

    [Fact]
    public void All_problems_are_reported_at_once_with_file_and_path()
    {
        JsonObject wording = English();
        wording["templates"]!.AsObject().Remove("review");
        wording["templates"]!["step-up"]!["patient"] = "Use {proposed} of {product}.";
        wording["templates"]!["step-down"]!["patient"] = "Use {proposed.";
        wording["templates"]!["resume"]!["patient"] = " ";
        wording["templates"]!["greeting"] = new JsonObject { ["patient"] = "Hello" };
        wording["dosage"]!["nightly"] = 1;

        Assert.Equal(
            [
                ("en.json", "dosage.nightly", "must be a text"),
                ("en.json", "dosage.nightly", "is missing"),
                ("en.json", "templates.review.clinician", "is missing"),
                ("en.json", "templates.greeting.patient", "is no text that this service uses; contracts/wording.schema.json lists those there are"),
                ("en.json", "templates.resume.patient", "is empty or holds a control character"),
                ("en.json", "templates.step-down.patient", "has a brace without its partner"),
                ("en.json", "templates.step-up.patient", "uses the unknown placeholder {product}; allowed here: {current}, {proposed}, {due}, {days}, {clinic}"),
            ],
            Problems(wording).Select(p => (p.File, p.Path, p.Problem)));
    }

    [Fact]
    public void The_reason_with_its_numbers_never_goes_to_a_patient()
    {
        Assert.All(WordingTexts.Required.Where(t => t.Key.EndsWith(".patient", StringComparison.Ordinal)), t => Assert.DoesNotContain("reason", t.Value, StringComparer.Ordinal));
    }

    [Theory]
    [InlineData("not json", "LineNumber: 0")]
    [InlineData("""{"language":"en","language":"de"}""", "language")]
    public void What_is_no_JSON_or_names_a_member_twice_is_a_problem_that_says_where(string text, string problem)
    {
        WordingProblem only = Assert.Single(Wording.Read([new WordingFile("x.json", Encoding.UTF8.GetBytes(text))]).Problems);
        Assert.Contains(problem, only.Problem, StringComparison.Ordinal);
    }

    [Fact]
    public void English_must_be_there_and_no_language_twice()
    {
        WordingFile german = Scenario.WordingFiles().Single(f => f.Name == "de.json");
        Assert.Contains("the fallback of all others", Assert.Single(Wording.Read([german]).Problems).Problem, StringComparison.Ordinal);
        Assert.Contains("another file's language", Assert.Single(Wording.Read([german, german with { Name = "at.json" }]).Problems).Problem, StringComparison.Ordinal);
    }

    [Theory]
    [InlineData("de", "de")]
    [InlineData("de-AT", "de")]
    [InlineData("DE-at-1996", "de")]
    [InlineData("fr", "en")]
    [InlineData(null, "en")]
    public void A_language_falls_back_to_its_kin_and_then_to_English(string? asked, string spoken)
    {
        Assert.Equal(spoken, Scenario.Wording.In(asked).Language);
    }

    [Fact]
    public void A_value_that_is_not_known_never_holds_up_a_message()
    {
        string text = Scenario.Wording.In("en").Render("referral", toPatient: false, new Dictionary<string, string>(StringComparer.Ordinal));
        Assert.StartsWith("STOP FINDING: a reason for concern.", text, StringComparison.Ordinal);
        Assert.DoesNotContain("{", text, StringComparison.Ordinal);
    }

    [Fact]
    public void A_value_s_own_braces_are_left_alone()
    {
        Dictionary<string, string> values = new(StringComparer.Ordinal) { ["clinic"] = "{finding}" };
        Assert.Contains("{finding} will contact you", Scenario.Wording.In("en").Render("stop-emergency", toPatient: true, values), StringComparison.Ordinal);
    }

    [Fact]
    public void Advice_spares_eyes_nostril_creases_mouth_corners_and_lips()
    {
        string[] advice = ["step-up", "step-down", "resume", "care-after-moderate", "care-step-down"];
        string[] english = ["eyes", "nose", "corners of your mouth", "lips"];
        string[] german = ["Augen", "Nasenfalten", "Mundwinkel", "Lippen"];
        Dictionary<string, string> none = new(StringComparer.Ordinal);
        foreach (string template in advice)
        {
            Assert.All(english, part => Assert.Contains(part, Scenario.Wording.In("en").Render(template, toPatient: true, none), StringComparison.Ordinal));
            Assert.All(german, part => Assert.Contains(part, Scenario.Wording.In("de").Render(template, toPatient: true, none), StringComparison.Ordinal));
        }
    }

    /// <summary>Amount, clean dry skin at night, moisturiser and the wait, areas to spare, sunscreen by day, what to do when it stings, when to call.</summary>
    [Theory]
    [InlineData("en", false, "At night|wash|dry|half a fingertip length|thin layer|put on moisturiser|eyes|creases by your nose|corners of your mouth|lips|sunscreen every day|If it stings|Leave the treatment out|tell your clinic|emergency")]
    [InlineData("en", true, "At night|wash|dry|moisturiser first and wait 5 to 10 minutes|half a fingertip length|moisturiser again|eyes|creases by your nose|corners of your mouth|lips|sunscreen every day|If it stings|tell your clinic|emergency")]
    [InlineData("de", false, "am Abend|Waschen|trocken|eine halbe Fingerkuppenlänge|dünn|Cremen|Augen|Nasenfalten|Mundwinkel|Lippen|jeden Tag Sonnenschutz|stark brennt|weg|Praxis Bescheid|Notruf")]
    [InlineData("de", true, "am Abend|Waschen|trocken|Cremen Sie sich zuerst ein|5 bis 10 Minuten|eine halbe Fingerkuppenlänge|noch einmal|Augen|Nasenfalten|Mundwinkel|Lippen|jeden Tag Sonnenschutz|stark brennt|Praxis Bescheid|Notruf")]
    public void The_application_advice_says_all_that_it_has_to(string language, bool barrier, string parts)
    {
        string advice = Scenario.Instruction(language, Scenario.Nightly with { Barrier = barrier }, before: Scenario.AlternateNights);
        Assert.All(parts.Split('|'), part => Assert.Contains(part, advice, StringComparison.Ordinal));
        Assert.DoesNotContain("{", advice, StringComparison.Ordinal);
    }

    private static bool IsValid(JsonNode wording) => Schema.Evaluate(JsonSerializer.SerializeToElement(wording)).IsValid;

    private static JsonObject English() => JsonNode.Parse(File.ReadAllText(Repository.File("contracts", "wording", "en.json")))!.AsObject();

    private static ImmutableArray<WordingProblem> Problems(JsonObject wording) =>
        Wording.Read([new WordingFile("en.json", Encoding.UTF8.GetBytes(wording.ToJsonString()))]).Problems;

    private static void Remove(JsonNode node, ReadOnlySpan<string> path)
    {
        JsonNode parent = node;
        foreach (string name in path[..^1])
        {
            parent = parent[name]!;
        }

        if (parent is JsonArray items)
        {
            items.RemoveAt(0);
        }
        else
        {
            parent.AsObject().Remove(path[^1]);
        }
    }
}
