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
}
