using System.Net;
using System.Text.Json.Nodes;
using System.Text.RegularExpressions;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>The built executable, as README tells people to use it.</summary>
public sealed partial class RunCommandTests
{
    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task Without_configuration_it_comes_up_ready_and_the_curl_story_of_README_ends_with_a_CommunicationRequest()
    {
        string[] files = [.. CurlFile().Matches(await File.ReadAllTextAsync(Repository.File("README.md"), Cancelled)).Select(m => m.Groups["file"].Value)];
        Assert.True(files.Length >= 2);
        using TemporaryFolder folder = new();
        await using ServiceProcess service = await ServiceProcess.StartAsync(folder.Path, Cancelled);
        using HttpResponseMessage ready = await service.GetAsync("health/ready", Cancelled);
        using HttpResponseMessage live = await service.GetAsync("health/live", Cancelled);
        Assert.Equal((HttpStatusCode.OK, HttpStatusCode.OK), (ready.StatusCode, live.StatusCode));

        foreach (string file in files)
        {
            using HttpResponseMessage taken = await service.PostAsync(await File.ReadAllBytesAsync(Repository.File(file), Cancelled), Cancelled);
            Assert.Equal(HttpStatusCode.OK, taken.StatusCode);
        }

        await Eventually.HoldsAsync("a CommunicationRequest", async () => (await service.CommunicationRequestsAsync(Cancelled)).Count > 0, Cancelled);
        Assert.True(Directory.Exists(folder.File("data")));
    }

    [Fact]
    public async Task What_was_answered_with_2xx_survives_a_kill_and_is_said_once()
    {
        DateTimeOffset today = new(TimeProvider.System.GetUtcNow().Date, TimeSpan.Zero);
        ClinicDays days = new(today.AddDays(-6));
        string[] patients = [.. Enumerable.Range(1, 3).Select(i => $"killed-{i}")];
        using TemporaryFolder folder = new();
        await using (ServiceProcess victim = await ServiceProcess.StartAsync(folder.Path, Cancelled))
        {
            foreach (JsonObject resource in patients.SelectMany(p => new[] { days.Order(p), days.Swelling(p, 5) }))
            {
                using HttpResponseMessage taken = await victim.PostAsync(resource.ToUtf8(), Cancelled);
                Assert.Equal(HttpStatusCode.OK, taken.StatusCode);
            }

            await victim.Process.KillAsync();
        }

        await using ServiceProcess heir = await ServiceProcess.StartAsync(folder.Path, Cancelled);

        IReadOnlyList<JsonObject> alerts = await Eventually.BecomesAsync<IReadOnlyList<JsonObject>>(
            "a referral of every patient",
            async () => [.. (await heir.CommunicationRequestsAsync(Cancelled)).Where(r => r["category"]![0]!["coding"]![0]!["code"]!.GetValue<string>() == "alert")],
            all => all.Count >= patients.Length, Cancelled);
        Assert.Equal(patients.Select(p => $"Patient/{p}"), alerts.Select(a => a["subject"]!["reference"]!.GetValue<string>()).Order(StringComparer.Ordinal), StringComparer.Ordinal);
    }

    [Fact]
    public async Task Every_problem_of_a_wrong_configuration_is_listed_and_nothing_is_started()
    {
        using TemporaryFolder folder = new();
        Dictionary<string, string> wrong = new(StringComparer.Ordinal)
        {
            ["Titration__Broker__Uri"] = "http://broker",
            ["Titration__Broker__Prefetch"] = "0",
            ["Titration__FhirServer__BaseUrl"] = "ftp://fhir.clinic.example.org",
            ["Titration__FhirServer__TimeoutSeconds"] = "9999",
            ["Titration__Database__Provider"] = "oracle",
            ["Titration__Clinic__TimeZone"] = "Europe/Atlantis",
            ["Titration__Clinic__Organization"] = "clinic",
            ["Titration__Clinic__Pool"] = "Patient/1",
            ["Titration__Health__Port"] = "70000",
            ["Titration__Sweep__EverySeconds"] = "0",
            ["Titration__Protocol__File"] = folder.File("no-protocol.json"),
            ["Titration__Mapping__File"] = folder.File("no-mapping.json"),
            ["Titration__Wording__Folder"] = folder.File("no-wording"),
        };

        CommandOutput output = await TitrationProcess.RunAsync(folder.Path, null, wrong, ["run"], Cancelled);

        string[] lines = output.Errors.Split('\n', StringSplitOptions.RemoveEmptyEntries);
        Assert.Equal(2, output.ExitCode);
        Assert.All(wrong.Keys, name => Assert.Single(lines, l => l.StartsWith($"titration: {name.Replace("__", ":", StringComparison.Ordinal)}:", StringComparison.Ordinal)));
        Assert.Equal(wrong.Count, lines.Length);
        Assert.Equal("", output.Output);
        Assert.Empty(Directory.GetFileSystemEntries(folder.Path));
    }

    [Theory]
    [InlineData("Titration__FhirServer__Timeout", "30")]
    [InlineData("Titration__Health__Port", "eighty")]
    public async Task A_misspelt_setting_does_not_mean_the_default(string name, string value)
    {
        using TemporaryFolder folder = new();

        CommandOutput output = await TitrationProcess.RunAsync(folder.Path, null, new Dictionary<string, string>(StringComparer.Ordinal) { [name] = value }, ["run"], Cancelled);

        Assert.Equal(2, output.ExitCode);
        Assert.Contains(name.Split("__")[^1], output.Errors, StringComparison.Ordinal);
        Assert.Empty(Directory.GetFileSystemEntries(folder.Path));
    }

    [Fact]
    public async Task A_password_in_a_connection_string_is_not_repeated_in_the_complaint()
    {
        using TemporaryFolder folder = new();
        Dictionary<string, string> wrong = new(StringComparer.Ordinal)
        {
            ["Titration__Database__Provider"] = "postgres",
            ["Titration__Database__ConnectionString"] = "Host=db;Password=s3cret;Colour=blue",
        };

        CommandOutput output = await TitrationProcess.RunAsync(folder.Path, null, wrong, ["run"], Cancelled);

        Assert.Equal(2, output.ExitCode);
        Assert.Contains("Titration:Database:ConnectionString", output.Errors, StringComparison.Ordinal);
        Assert.DoesNotContain("s3cret", output.Output + output.Errors, StringComparison.Ordinal);
    }

    [Fact]
    public async Task The_demo_plays_a_month_and_shows_decisions_and_CommunicationRequests()
    {
        using TemporaryFolder folder = new();

        CommandOutput output = await TitrationProcess.RunAsync(folder.Path, null, new Dictionary<string, string>(StringComparer.Ordinal), ["demo", "--days", "30"], Cancelled);

        Assert.True(output.ExitCode == 0, output.Errors);
        Assert.Contains("Maintain", output.Output, StringComparison.Ordinal);
        Assert.Contains("StepUp", output.Output, StringComparison.Ordinal);
        Assert.Contains("CommunicationRequests on the FHIR server", output.Output, StringComparison.Ordinal);
        Assert.Empty(Directory.GetFileSystemEntries(folder.Path));
    }

    [GeneratedRegex(@"localhost:8088/inbound .*--data-binary @(?<file>\S+)", RegexOptions.ExplicitCapture, 1000)]
    private static partial Regex CurlFile();
}
