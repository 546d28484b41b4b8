using Titration.TestKit;
using Titration.Worker.Configuration;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>The clinic's own texts: the setting, the policy's hash and <c>titration protocol validate --wording</c>.</summary>
public sealed class ClinicWordingTests : IDisposable
{
    private static readonly Dictionary<string, string> NoSettings = new(StringComparer.Ordinal);

    private readonly TemporaryFolder _folder = new();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public void Dispose() => _folder.Dispose();

    [Fact]
    public void The_texts_are_part_of_the_policy_s_hash_and_the_files_names_are_not()
    {
        string without = Load("")!.Hash;
        Write("a.json", """{"language":"en","dosage":{"nightly":"each night"}}""");
        Write("b.json", """{"language":"de","dosage":{"nightly":"jeden Tag am Abend"}}""");
        string with = Load(_folder.Path)!.Hash;
        File.Move(_folder.File("a.json"), _folder.File("z.json"));
        string renamed = Load(_folder.Path)!.Hash;
        Write("b.json", """{"language":"de","dosage":{"nightly":"abends"}}""");

        Assert.NotEqual(without, with);
        Assert.Equal(with, renamed);
        Assert.NotEqual(with, Load(_folder.Path)!.Hash);
    }

    [Fact]
    public void Every_problem_of_every_file_is_listed_with_file_line_and_path()
    {
        Write("broken.json", "{\n  \"language\": en\n}");
        Write("de.json", "{\n  \"language\": \"de\",\n  \"dosage\": {\n    \"nightly\": \"{when}\",\n    \"weekly\": \"einmal\"\n  }\n}");
        Write("twice.json", "{\n  \"language\": \"en\",\n  \"dosage\": {},\n  \"dosage\": {}\n}");
        List<string> problems = [];

        Assert.Null(ClinicPolicy.Load("", "", _folder.Path, TimeZoneInfo.Utc, problems));

        Assert.Collection(
            problems,
            p => Assert.StartsWith($"Titration:Wording:Folder: {_folder.File("broken.json")}:2: cannot be read as JSON", p, StringComparison.Ordinal),
            p => Assert.Equal($"Titration:Wording:Folder: {_folder.File("de.json")}:4: dosage.nightly: uses the unknown placeholder {{when}}; none is allowed here", p),
            p => Assert.StartsWith($"Titration:Wording:Folder: {_folder.File("de.json")}:5: dosage.weekly: is no text", p, StringComparison.Ordinal),
            p => Assert.StartsWith($"Titration:Wording:Folder: {_folder.File("twice.json")}:4: cannot be read as JSON", p, StringComparison.Ordinal));
    }

    [Fact]
    public void A_folder_that_is_not_there_or_holds_nothing_does_not_mean_the_default()
    {
        List<string> problems = [];
        Assert.Null(ClinicPolicy.Load("", "", _folder.Path, TimeZoneInfo.Utc, problems));
        Assert.Null(ClinicPolicy.Load("", "", _folder.File("nowhere"), TimeZoneInfo.Utc, problems));
        Assert.Collection(
            problems,
            p => Assert.Contains("holds no .json file", p, StringComparison.Ordinal),
            p => Assert.Contains("nowhere", p, StringComparison.Ordinal));
    }

    [Fact]
    public async Task Protocol_validate_reports_what_the_wording_has_no_words_for_until_the_clinic_adds_them()
    {
        string shipped = await File.ReadAllTextAsync(Repository.File("contracts", "protocols", "topical-retinoid-titration.json"), Cancelled);
        string changed = shipped.Replace("\"ingredient\": \"benzoyl peroxide\"", "\"ingredient\": \"azelaic acid\"", StringComparison.Ordinal);
        int line = changed[..changed.IndexOf("azelaic", StringComparison.Ordinal)].Count(c => c == '\n') + 1;
        string protocol = _folder.File("protocol.txt");
        await File.WriteAllTextAsync(protocol, changed, Cancelled);

        CommandOutput lacking = await ValidateAsync(protocol);
        Write("en.json", """{"language":"en","ingredients":{"azelaic acid":"azelaic acid"}}""");
        CommandOutput halved = await ValidateAsync(protocol, "--wording", _folder.Path);
        Write("de.json", """{"language":"de","ingredients":{"azelaic acid":"Azelainsäure"}}""");
        CommandOutput whole = await ValidateAsync(protocol, "--wording", _folder.Path);
        Write("de.json", """{"language":"de","ingredients":{"azelaic acid":"{name}"}}""");
        CommandOutput broken = await ValidateAsync(protocol, "--wording", _folder.Path);
        CommandOutput nowhere = await ValidateAsync(protocol, "--wording", _folder.File("nowhere"));

        Assert.Equal(1, lacking.ExitCode);
        Assert.Contains($"{protocol}:{line}: /interactingTopicals/0/ingredient: the wording has no words for \"azelaic acid\" in de, en", lacking.Output, StringComparison.Ordinal);
        Assert.Equal((1, true), (halved.ExitCode, halved.Output.Contains("\"azelaic acid\" in de;", StringComparison.Ordinal)));
        Assert.Equal((0, true), (whole.ExitCode, whole.Output.Contains("has no problems", StringComparison.Ordinal)));
        Assert.Equal((1, true), (broken.ExitCode, broken.Output.Contains("de.json:1: ingredients.azelaic acid: uses the unknown placeholder {name}", StringComparison.Ordinal)));
        Assert.DoesNotContain("no problems", broken.Output, StringComparison.Ordinal);
        Assert.Equal((2, true), (nowhere.ExitCode, nowhere.Errors.Contains("--wording", StringComparison.Ordinal)));
    }

    private static ClinicPolicy? Load(string folder)
    {
        List<string> problems = [];
        ClinicPolicy? policy = ClinicPolicy.Load("", "", folder, TimeZoneInfo.Utc, problems);
        Assert.Empty(problems);
        return policy;
    }

    private Task<CommandOutput> ValidateAsync(string protocol, params string[] more) =>
        TitrationProcess.RunAsync(_folder.Path, null, NoSettings, ["protocol", "validate", protocol, .. more], Cancelled);

    private void Write(string file, string text) => File.WriteAllText(_folder.File(file), text);
}
