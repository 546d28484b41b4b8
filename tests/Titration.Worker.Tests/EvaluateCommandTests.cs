using System.Text.Json.Nodes;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary><c>titration evaluate</c>: others build on the shape of its JSON and on its exit codes.</summary>
public sealed class EvaluateCommandTests
{
    private static readonly string Examples = Repository.File("docs", "examples");

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task The_JSON_is_one_array_with_an_object_of_this_shape_per_course()
    {
        JsonObject course = await TheCourseAsync(Examples, "2026-03-15");

        Assert.Equal(
            (List<string>)["patient", "course", "asOf", "policyHash", "followed", "outcome", "step", "proposedStep", "reasons", "findings", "figures", "nextLook", "communications"],
            Names(course));
        Assert.Equal("Patient/willow-1", course["patient"]!.GetValue<string>());
        Assert.Equal((List<string>)["id", "ingredient", "area"], Names(course["course"]));
        Assert.Equal(("tretinoin", "face"), (course["course"]!["ingredient"]!.GetValue<string>(), course["course"]!["area"]!.GetValue<string>()));
        Assert.True(Guid.TryParse(course["course"]!["id"]!.GetValue<string>(), out _));
        Assert.Equal(64, course["policyHash"]!.GetValue<string>().Length);
        Assert.Equal("StepUp", course["outcome"]!.GetValue<string>());
        Assert.Equal((List<string>)["strengthPercent", "nightsPerWeek", "gramsPerApplication", "barrier", "since"], Names(course["step"]));
        Assert.Equal(
            (0.025m, 3.5m, 0.25m, false, "2026-03-01"),
            (course["step"]!["strengthPercent"]!.GetValue<decimal>(), course["step"]!["nightsPerWeek"]!.GetValue<decimal>(),
                course["step"]!["gramsPerApplication"]!.GetValue<decimal>(), course["step"]!["barrier"]!.GetValue<bool>(), course["step"]!["since"]!.GetValue<string>()));
        Assert.Equal(7m, course["proposedStep"]!["nightsPerWeek"]!.GetValue<decimal>());
        Assert.All(course["reasons"]!.AsArray(), r => Assert.Superset(new HashSet<string>(["rule", "text", "evidence"], StringComparer.Ordinal), Names(r).ToHashSet(StringComparer.Ordinal)));
        Assert.Contains(course["reasons"]!.AsArray(), r => r!["evidence"]!.AsArray().Any(e => e!.GetValue<string>() == "Observation/check-in-2/_history/1"));
        Assert.Empty(course["findings"]!.AsArray());
        Assert.Equal(
            (List<string>)["gramsPerWeek", "activeMilligramsPerWeek", "gramsApplied", "activeMilligramsApplied", "usedUpAtEarliest", "usedUpAtLatest", "ahead"],
            Names(course["figures"]));
        Assert.Equal(0.21875m, course["figures"]!["activeMilligramsPerWeek"]!.GetValue<decimal>()); // 0.875 g a week at 0.025 %
        Assert.Equal("2026-03-15", course["figures"]!["ahead"]![0]!["since"]!.GetValue<string>());
        JsonNode communication = Assert.Single(course["communications"]!.AsArray())!;
        Assert.Equal((List<string>)["key", "kind", "priority", "status", "recipient"], Names(communication));
        Assert.Equal(
            ("step-change", "routine", "draft", "Patient/willow-1"),
            (communication["kind"]!.GetValue<string>(), communication["priority"]!.GetValue<string>(), communication["status"]!.GetValue<string>(), communication["recipient"]!.GetValue<string>()));
    }

    [Theory]
    [InlineData("2026-03-14T23:59:59Z", "Maintain")]
    [InlineData("2026-03-15T00:00:00Z", "StepUp")]
    [InlineData("2026-03-15", "StepUp")]
    [InlineData("2026-03-15T09:59:59+10:00", "Maintain")]
    [InlineData("2026-03-15T00:00Z", "StepUp")]
    public async Task An_instant_or_a_date_says_when_to_look(string asOf, string outcome) =>
        Assert.Equal(outcome, (await TheCourseAsync(Examples, asOf))["outcome"]!.GetValue<string>());

    [Fact]
    public async Task A_date_begins_in_the_clinics_time_zone()
    {
        CommandOutput output = await EvaluateAsync(null, [Examples, "--as-of", "2026-03-15", "--time-zone", "Australia/Brisbane", "--json"]);

        Assert.Equal("2026-03-14T14:00:00+00:00", Courses(output)[0]["asOf"]!.GetValue<string>());
    }

    [Fact]
    public async Task A_folder_a_Bundle_NDJSON_and_standard_input_say_the_same()
    {
        using TemporaryFolder folder = new();
        JsonObject[] resources = [.. Directory.GetFiles(Examples, "*.json").Select(f => JsonNode.Parse(File.ReadAllText(f))!.AsObject())];
        await File.WriteAllTextAsync(folder.File("lines.ndjson"), string.Join('\n', resources.Select(r => r.ToJsonString())), Cancelled);
        byte[] bundle = FhirJson.Bundle("collection", [.. resources.Select(r => r.DeepClone().AsObject())]).ToUtf8();
        await File.WriteAllBytesAsync(folder.File("bundle.json"), bundle, Cancelled);
        byte[] lines = await File.ReadAllBytesAsync(folder.File("lines.ndjson"), Cancelled);

        string expected = (await EvaluateAsync(null, [Examples, "--as-of", "2026-03-15", "--json"])).Output;
        string[] others =
        [
            (await EvaluateAsync(null, [folder.File("bundle.json"), "--as-of", "2026-03-15", "--json"])).Output,
            (await EvaluateAsync(null, [folder.File("lines.ndjson"), "--as-of", "2026-03-15", "--json"])).Output,
            (await EvaluateAsync(lines, ["-", "--as-of", "2026-03-15", "--json"])).Output,
        ];

        Assert.Contains("StepUp", expected, StringComparison.Ordinal);
        Assert.All(others, output => Assert.Equal(expected, output));
    }

    [Fact]
    public async Task What_cannot_be_read_is_named_and_the_rest_is_evaluated()
    {
        using TemporaryFolder folder = new();
        foreach (string file in Directory.GetFiles(Examples, "*.json"))
        {
            File.Copy(file, folder.File(Path.GetFileName(file)));
        }

        await File.WriteAllTextAsync(folder.File("cut.json"), "{\"resourceType\":\"Observation\",", Cancelled);
        await File.WriteAllTextAsync(folder.File("lines.ndjson"), FhirJson.Patient("other").ToJsonString() + "\n{oops\n", Cancelled);

        CommandOutput output = await EvaluateAsync(null, [folder.Path, "--as-of", "2026-03-15", "--json"]);

        Assert.Equal(1, output.ExitCode);
        Assert.Contains("cut.json:", output.Errors, StringComparison.Ordinal);
        Assert.Contains("lines.ndjson:2:", output.Errors, StringComparison.Ordinal);
        Assert.Equal("StepUp", Assert.Single(Courses(output))["outcome"]!.GetValue<string>());
    }

    [Fact]
    public async Task An_order_that_refers_to_a_Medication_finds_it_among_the_files()
    {
        using TemporaryFolder folder = new();
        JsonObject order = FhirJson.MedicationRequest().Without("medicationCodeableConcept").With(o => o["medicationReference"] = new JsonObject { ["reference"] = "Medication/tube" });
        JsonObject tube = new() { ["resourceType"] = "Medication", ["id"] = "tube", ["code"] = FhirJson.Concept(FhirJson.Atc, "D10AD01", "Tretinoin 0.025 % cream") };
        await File.WriteAllBytesAsync(folder.File("a-order.json"), order.ToUtf8(), Cancelled);

        CommandOutput without = await EvaluateAsync(null, [folder.Path, "--as-of", "2026-03-03", "--json"]);
        await File.WriteAllBytesAsync(folder.File("b-medication.json"), tube.ToUtf8(), Cancelled);
        CommandOutput with = await EvaluateAsync(null, [folder.Path, "--as-of", "2026-03-03", "--json"]);

        Assert.Equal((1, 0), (without.ExitCode, Courses(without).Count));
        Assert.Contains("a-order.json", without.Errors, StringComparison.Ordinal);
        Assert.Equal((0, 1), (with.ExitCode, Courses(with).Count));
    }

    [Theory]
    [InlineData("no-such-folder")]
    [InlineData(".", "--as-of", "yesterday")]
    [InlineData(".", "--as-of", "2026-03-15T08:00:00")]
    [InlineData(".", "--time-zone", "Europe/Atlantis")]
    [InlineData(".", "--protocol", "no-such-file.json")]
    [InlineData(".", "--colour")]
    [InlineData]
    public async Task Wrong_usage_ends_with_2_and_one_line_that_says_what(params string[] arguments)
    {
        CommandOutput output = await EvaluateAsync(null, arguments);

        Assert.Equal(2, output.ExitCode);
        Assert.False(string.IsNullOrWhiteSpace(output.Errors));
    }

    [Fact]
    public async Task The_table_for_people_names_patient_outcome_and_rules()
    {
        CommandOutput output = await EvaluateAsync(null, [Examples, "--as-of", "2026-03-15", "--time-zone", "Europe/London"]);

        Assert.Equal(0, output.ExitCode);
        Assert.All(["Patient/willow-1", "StepUp", "time-on-step", "Proposals only"], text => Assert.Contains(text, output.Output.ReplaceLineEndings(" "), StringComparison.Ordinal));
    }

    private static async Task<JsonObject> TheCourseAsync(string path, string asOf)
    {
        CommandOutput output = await EvaluateAsync(null, [path, "--as-of", asOf, "--json"]);
        Assert.True(output.ExitCode == 0, output.Errors);
        return Assert.Single(Courses(output));
    }

    private static List<JsonObject> Courses(CommandOutput output) => [.. JsonNode.Parse(output.Output)!.AsArray().Select(c => c!.AsObject())];

    private static List<string> Names(JsonNode? node) => [.. node!.AsObject().Select(m => m.Key)];

    private static async Task<CommandOutput> EvaluateAsync(byte[]? input, string[] arguments)
    {
        using TemporaryFolder folder = new();
        return await TitrationProcess.RunAsync(folder.Path, input, new Dictionary<string, string>(StringComparer.Ordinal), ["evaluate", .. arguments], Cancelled);
    }
}
