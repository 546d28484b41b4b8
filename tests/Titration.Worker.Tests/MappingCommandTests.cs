using System.Globalization;
using System.Text.Json.Nodes;
using Microsoft.Extensions.Time.Testing;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary><c>titration mapping</c>: what clinic IT sees of its own codes.</summary>
public sealed class MappingCommandTests
{
    private static readonly Dictionary<string, string> NoSettings = new(StringComparer.Ordinal);

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task The_example_has_no_problems_and_a_broken_copy_has_its_problem_named()
    {
        using TemporaryFolder folder = new();
        string example = Repository.File("contracts", "mapping.example.json");
        string broken = Path.Combine(folder.Path, "broken.json");
        await File.WriteAllTextAsync(broken, (await File.ReadAllTextAsync(example, Cancelled)).Replace("\"tretinoin\"", "\"moonshine\"", StringComparison.Ordinal), Cancelled);

        CommandOutput fine = await TitrationProcess.RunAsync(folder.Path, null, NoSettings, ["mapping", "validate", example], Cancelled);
        CommandOutput wrong = await TitrationProcess.RunAsync(folder.Path, null, NoSettings, ["mapping", "validate", broken], Cancelled);
        CommandOutput missing = await TitrationProcess.RunAsync(folder.Path, null, NoSettings, ["mapping", "validate", "nowhere.json"], Cancelled);

        Assert.Equal((0, true), (fine.ExitCode, fine.Output.Contains("no problems", StringComparison.Ordinal)));
        Assert.Equal((1, true), (wrong.ExitCode, wrong.Output.Contains("ingredient", StringComparison.Ordinal)));
        Assert.Equal(2, missing.ExitCode);
    }

    [Fact]
    public async Task A_code_that_nobody_mapped_is_listed_with_how_often_it_came()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(TimeProvider.System, Cancelled);
        await worker.TakeInAsync(Cancelled, FhirJson.CheckIn().With(c => c["component"]!.AsArray().Add(FhirJson.Component("tightness", "valueInteger", 1))));

        CommandOutput listed = await TitrationProcess.RunAsync(
            worker.Settings.Options.DataFolder, null,
            new Dictionary<string, string>(StringComparer.Ordinal) { ["Titration__DataFolder"] = worker.Settings.Options.DataFolder }, ["mapping", "unmapped"], Cancelled);

        Assert.Equal(1, listed.ExitCode);
        Assert.Contains("tightness", listed.Output, StringComparison.Ordinal);
    }

    [Fact]
    public async Task An_order_that_no_mapping_knew_is_read_again_once_one_does()
    {
        using TemporaryFolder folder = new();
        DateTimeOffset at = DateTimeOffset.Parse("2026-03-02T10:00:00Z", CultureInfo.InvariantCulture);
        FakeTimeProvider time = new(at);
        await using (EmbeddedWorker before = await EmbeddedWorker.StartAsync(time, Cancelled, folder.Path))
        {
            await before.TakeInAsync(Cancelled, FhirJson.MedicationRequest().With(o => o["medicationCodeableConcept"] = JsonNode.Parse(
                """{ "coding": [{ "system": "https://clinic.example.org/formulary", "code": "TRET-025-CR" }] }""")));
            Assert.Equal("", await before.StandingAsync("p1", Cancelled));

            await before.ReadUnmappedAgainAsync(Cancelled);
            Assert.Equal(0, await before.RetryWaitingAsync(Cancelled));
        }

        await using EmbeddedWorker after = await EmbeddedWorker.StartAsync(time, Cancelled, folder.Path, Repository.File("contracts", "mapping.example.json"));
        await after.ReadUnmappedAgainAsync(Cancelled);

        Assert.Equal(1, await after.RetryWaitingAsync(Cancelled));
        Assert.StartsWith("Maintain 0.025", await after.StandingAsync("p1", Cancelled), StringComparison.Ordinal);
        Assert.Equal(0, await after.RetryWaitingAsync(Cancelled));
    }

    [Fact]
    public async Task A_finding_under_a_code_that_is_mapped_later_speaks_from_then_on()
    {
        using TemporaryFolder folder = new();
        FakeTimeProvider time = new(DateTimeOffset.Parse("2026-03-08T10:00:00Z", CultureInfo.InvariantCulture));
        JsonObject checkIn = FhirJson.CheckIn(effective: "2026-03-08T09:00:00Z").Adding(new JsonObject
        {
            ["code"] = FhirJson.Concept("https://clinic.example.org/forms", "sunburned"),
            ["valueBoolean"] = true,
        });
        await using (EmbeddedWorker before = await EmbeddedWorker.StartAsync(time, Cancelled, folder.Path))
        {
            await before.TakeInAsync(Cancelled, FhirJson.MedicationRequest(), checkIn);
            Assert.StartsWith("Maintain", await before.StandingAsync("p1", Cancelled), StringComparison.Ordinal);
        }

        await using EmbeddedWorker after = await EmbeddedWorker.StartAsync(time, Cancelled, folder.Path, Repository.File("contracts", "mapping.example.json"));
        await after.ReadUnmappedAgainAsync(Cancelled);

        Assert.Equal(1, await after.RetryWaitingAsync(Cancelled));
        Assert.StartsWith("Withhold", await after.StandingAsync("p1", Cancelled), StringComparison.Ordinal);
    }
}
