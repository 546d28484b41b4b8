using System.Collections.Immutable;
using System.Text;
using System.Text.Json;
using Json.Schema;
using Titration.Fhir.Tests.Reading;
using Titration.Fhir.Writing;
using Titration.Protocol.Definitions;
using Titration.TestKit;
using Xunit;

namespace Titration.Fhir.Tests.Writing;

/// <summary>A clinic's own texts, laid over those that come with the service.</summary>
public sealed class WordingOverrideTests
{
    private static readonly JsonSchema Schema = ReadSchema();

    [Fact]
    public void What_a_clinic_says_replaces_that_text_and_no_other()
    {
        Wording wording = Read("""{"language":"EN","templates":{"check-in-first":{"patient":"Hello from {clinic}: how is your skin?"}},"ingredients":{"tretinoin":"vitamin A cream"}}""").Wording!;
        Dictionary<string, string> values = new(StringComparer.Ordinal) { ["clinic"] = "Harbour" };

        Assert.Equal("Hello from Harbour: how is your skin?", wording.In("en").Render("check-in-first", toPatient: true, values));
        Assert.Equal(Scenario.Wording.In("en").Render("check-in-second", toPatient: true, values), wording.In("en").Render("check-in-second", toPatient: true, values));
        Assert.Equal(Scenario.Wording.In("de").Render("check-in-first", toPatient: true, values), wording.In("de").Render("check-in-first", toPatient: true, values));
        Assert.Equal(["de", "en"], wording.Languages);
        Assert.Contains("vitamin A cream 0.025 %", Scenario.The<Hl7.Fhir.Model.CommunicationRequest>(
            CommunicationWriter.Write(Scenario.All["step-up"], Scenario.Clinic, wording)).Payload[0].Content.ToString(), StringComparison.Ordinal);
    }

    [Theory]
    [InlineData("""{"language":"en","templates":{"check-in-first":{"patient":"Dear {name}"}}}""", "templates.check-in-first.patient", "unknown placeholder {name}; allowed here: {due}, {days}, {clinic}", false)]
    [InlineData("""{"language":"en","templates":{"check-in-third":{"patient":"Hello"}}}""", "templates.check-in-third.patient", "no text that this service uses", true)]
    [InlineData("""{"language":"en","formats":{"months":["January"]}}""", "formats.months.2", "all twelve", true)]
    [InlineData("""{"language":"en","dosage":{"nightly":" "}}""", "dosage.nightly", "empty", false)]
    [InlineData("""{"dosage":{"nightly":"each night"}}""", "language", "is missing", true)]
    [InlineData("""{"language":"fr","dosage":{"nightly":"chaque soir"}}""", "dosage.grams", "only a file of de or en may hold less", true)]
    public void What_is_wrong_is_refused_by_the_reader_and_where_it_can_by_the_schema(string json, string path, string says, bool schemaKnows)
    {
        WordingReading reading = Read(json);
        Assert.Null(reading.Wording);
        WordingProblem problem = reading.Problems.First(p => p.Path == path);
        Assert.Contains(says, problem.Problem, StringComparison.Ordinal);
        Assert.Equal(!schemaKnows, IsValid(json));
    }

    [Fact]
    public void A_break_in_the_text_has_its_line()
    {
        Assert.Equal(2, Assert.Single(Read("{\n\"language\": en}").Problems).BreaksOnLine);
    }

    [Fact]
    public void Two_files_of_one_language_are_refused()
    {
        WordingFile file = Override("""{"language":"de"}""");
        Assert.Contains("another file's language", Assert.Single(Wording.Read(Scenario.WordingFiles(), [file, file with { Name = "b.json" }]).Problems).Problem, StringComparison.Ordinal);
    }

    [Fact]
    public void A_complete_file_of_a_new_language_is_taken()
    {
        string dutch = File.ReadAllText(Repository.File("contracts", "wording", "en.json")).Replace("\"language\": \"en\"", "\"language\": \"nl\"", StringComparison.Ordinal);
        Assert.True(IsValid(dutch));
        Assert.Equal(["de", "en", "nl"], Read(dutch).Wording!.Languages);
    }

    [Fact]
    public void A_small_override_is_valid_by_its_schema() =>
        Assert.True(IsValid("""{"language":"de","ingredients":{"tretinoin":"Vitamin-A-Säure"},"dosage":{"nightly":"täglich abends"}}"""));

    [Fact]
    public void The_wording_that_comes_with_the_service_has_words_for_all_that_its_protocol_names() =>
        Assert.Empty(WordingCoverage.Problems(Readers.Protocol, Scenario.Wording));

    [Fact]
    public void A_product_without_words_is_a_problem_in_each_language_that_lacks_it()
    {
        ProtocolDefinition protocol = Readers.Protocol with
        {
            Products = [.. Readers.Protocol.Products, Readers.Protocol.Products[0] with { Ingredient = "novotene" }],
            InteractingTopicals = [Readers.Protocol.InteractingTopicals[0] with { Ingredient = "azelaic acid" }],
        };
        Wording wording = Read("""{"language":"de","ingredients":{"novotene":"Novoten"}}""").Wording!;

        ImmutableArray<ProtocolProblem> problems = WordingCoverage.Problems(protocol, wording);

        Assert.Equal(["/products/4/ingredient", "/interactingTopicals/0/ingredient"], problems.Select(p => p.Path));
        Assert.Contains("\"novotene\" in en;", problems[0].Problem, StringComparison.Ordinal);
        Assert.Contains("\"azelaic acid\" in de, en;", problems[1].Problem, StringComparison.Ordinal);
    }

    private static WordingReading Read(string json) => Wording.Read(Scenario.WordingFiles(), [Override(json)]);

    private static WordingFile Override(string json) => new("clinic.json", Encoding.UTF8.GetBytes(json));

    private static bool IsValid(string json) => Schema.Evaluate(JsonDocument.Parse(json).RootElement).IsValid;

    // The override's schema refers to the whole wording's, which has to be known when it is read.
    private static JsonSchema ReadSchema()
    {
        BuildOptions together = new() { SchemaRegistry = new SchemaRegistry() };
        JsonSchema.FromText(File.ReadAllText(Repository.File("contracts", "wording.schema.json")), together);
        return JsonSchema.FromText(File.ReadAllText(Repository.File("contracts", "wording-override.schema.json")), together);
    }
}
