using System.Text.RegularExpressions;
using Titration.Fhir.Tests.Writing;
using Titration.TestKit;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>
/// Half a year of the invented clinic, every version of everything on its FHIR server: judged by our profiles, and by validators that share no
/// code with the service.
/// </summary>
public sealed partial class DemoValidationTests : IAsyncLifetime
{
    private static readonly string[] Emitted = ["CommunicationRequest", "DetectedIssue", "Device", "Flag", "Provenance", "Task"];

    private readonly string _folder = Directory.CreateTempSubdirectory("titration-demo-validation-").FullName;

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public async ValueTask InitializeAsync()
    {
        CommandOutput demo = await TitrationProcess.RunAsync(
            _folder, input: null, new Dictionary<string, string>(StringComparer.Ordinal), ["demo", "--folder", "fhir"], Cancelled);
        Assert.True(demo.ExitCode == 0, demo.Output + demo.Errors);
    }

    [Fact]
    public async Task Everything_emitted_is_valid_and_refers_to_what_is_there()
    {
        string[] files = Directory.GetFiles(_folder, "*.json", SearchOption.AllDirectories);
        HashSet<string> there = [.. files.Select(ReferenceOf)];
        string[] emitted = [.. files.Where(f => Emitted.Contains(TypeOf(f), StringComparer.Ordinal))];
        Assert.Equal(Emitted, emitted.Select(TypeOf).Distinct(StringComparer.Ordinal).Order(StringComparer.Ordinal));

        foreach (string file in emitted)
        {
            string json = await File.ReadAllTextAsync(file, Cancelled);
            Assert.True(R4.ErrorsOf(R4.Parse(json)) is [], $"{ReferenceOf(file)}: {string.Join("; ", R4.ErrorsOf(R4.Parse(json)))}");
            Assert.All(Reference().Matches(json).Select(m => m.Groups["to"].Value), reference => Assert.True(
                there.Contains(reference.Contains("/_history/", StringComparison.Ordinal) ? reference : $"{reference}/_history/1"), $"{ReferenceOf(file)} refers to {reference}"));
        }

        (int exitCode, string output) = await Node.RunAsync("validators", "validate.mjs", Cancelled, _folder);
        Assert.True(exitCode == 0, output);
        TestContext.Current.TestOutputHelper?.WriteLine($"{emitted.Length} versions of resources by our profiles; {output}");
    }

    public ValueTask DisposeAsync()
    {
        Directory.Delete(_folder, recursive: true);
        return ValueTask.CompletedTask;
    }

    private static string TypeOf(string file) => Path.GetFileName(Path.GetDirectoryName(file))!;

    // The folder is the type; the file is called by id and version.
    private static string ReferenceOf(string file)
    {
        string name = Path.GetFileNameWithoutExtension(file);
        int version = name.LastIndexOf('-');
        return $"{TypeOf(file)}/{name[..version]}/_history/{name[(version + 1)..]}";
    }

    [GeneratedRegex("\"reference\":\"(?<to>[^\"]+)\"", RegexOptions.CultureInvariant, matchTimeoutMilliseconds: 1000)]
    private static partial Regex Reference();
}
