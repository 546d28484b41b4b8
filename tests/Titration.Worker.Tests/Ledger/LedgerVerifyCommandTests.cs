using System.Text.Json.Nodes;
using Microsoft.Extensions.DependencyInjection;
using Titration.Storage.Ledger;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Titration.Worker.Hosting;
using Xunit;

namespace Titration.Worker.Tests.Ledger;

/// <summary><c>titration ledger verify</c>, and the checkpoints that the worker takes for it.</summary>
[Collection(PlayedClinicTests.Name)]
public sealed class LedgerVerifyCommandTests(PlayedClinic clinic)
{
    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task The_record_of_half_a_year_holds_and_is_sealed_by_signed_checkpoints_outside_of_the_database()
    {
        CommandOutput verified = await clinic.RunAsync(clinic.Data, [], "ledger", "verify");
        CommandOutput json = await clinic.RunAsync(clinic.Data, [], "ledger", "verify", "--json");

        Assert.True(verified.ExitCode == 0, verified.Output + verified.Errors);
        Assert.EndsWith("Nothing is wrong.\n", verified.Output, StringComparison.Ordinal);
        JsonNode report = JsonNode.Parse(json.Output)!;
        Assert.Equal((40, 0, 0), (report["chains"]!.GetValue<int>(), report["unsigned"]!.GetValue<int>(), report["findings"]!.AsArray().Count));
        Assert.Equal(report["checkpoints"]!.GetValue<int>(), report["exported"]!.GetValue<int>());
        Assert.True(OperatingSystem.IsWindows() || File.GetUnixFileMode(Path.Combine(clinic.Data, "ledger-key.pem")) == (UnixFileMode.UserRead | UnixFileMode.UserWrite));
    }

    [Fact]
    public async Task What_was_changed_is_named_with_its_place()
    {
        string copy = clinic.Copy("tampered");
        await PlayedClinic.ExecuteAsync(copy, "UPDATE decision_content SET rule = 'another' WHERE patient = 'elm-5' AND sequence = 3");
        await PlayedClinic.ExecuteAsync(copy, "UPDATE fact SET received_at = received_at + 10000000 WHERE patient = 'birch-2' AND sequence = 2");

        CommandOutput verified = await clinic.RunAsync(copy, [], "ledger", "verify");
        CommandOutput json = await clinic.RunAsync(copy, [], "ledger", "verify", "--json");

        Assert.Equal((1, 1), (verified.ExitCode, json.ExitCode));
        Assert.Contains("patient elm-5", verified.Output, StringComparison.Ordinal);
        Assert.Contains("the content of decision 3 was changed (content-differs)", verified.Output, StringComparison.Ordinal);
        Assert.Contains("fact 2 was changed, put in, or moved (fact-differs)", verified.Output, StringComparison.Ordinal);
        Assert.Equal(
            ["birch-2 fact-differs 2", "elm-5 content-differs 3"],
            JsonNode.Parse(json.Output)!["findings"]!.AsArray().Select(f => $"{f!["patient"]} {f["problem"]} {f["sequence"]}").Order(StringComparer.Ordinal));
    }

    [Fact]
    public async Task A_patient_removed_as_a_whole_is_missed_by_the_exported_checkpoints_alone()
    {
        string copy = clinic.Copy("removed");
        await PlayedClinic.ExecuteAsync(copy, """
            PRAGMA foreign_keys = OFF;
            DELETE FROM decision_content WHERE patient = 'elm-5';
            DELETE FROM decision WHERE chain_id = (SELECT chain_id FROM patient WHERE id = 'elm-5');
            DELETE FROM chain WHERE id = (SELECT chain_id FROM patient WHERE id = 'elm-5');
            DELETE FROM fact WHERE patient = 'elm-5';
            DELETE FROM checkpoint_head;
            DELETE FROM checkpoint;
            DELETE FROM patient WHERE id = 'elm-5';
            """);
        string elsewhere = Path.Combine(clinic.Copy("vault"), "checkpoints");

        CommandOutput without = await clinic.RunAsync(copy, [("Titration__Ledger__CheckpointFolder", Path.Combine(copy, "nowhere"))], "ledger", "verify");
        CommandOutput with = await clinic.RunAsync(copy, [], "ledger", "verify", "--checkpoints", elsewhere);

        Assert.Equal(0, without.ExitCode);
        Assert.Contains("No exported checkpoints", without.Output, StringComparison.Ordinal);
        Assert.Equal(1, with.ExitCode);
        Assert.Contains("the chain was removed as a whole (chain-missing)", with.Output, StringComparison.Ordinal);
    }

    [Fact]
    public async Task Another_key_than_the_clinics_makes_every_signature_wrong()
    {
        string other = Path.Combine(clinic.Copy("other-key"), "other.pem");
        using (LedgerKey key = LedgerKey.Create())
        {
            await File.WriteAllTextAsync(other, key.PublicPem, Cancelled);
        }

        CommandOutput verified = await clinic.RunAsync(clinic.Data, [], "ledger", "verify", "--key", other);
        CommandOutput noKey = await clinic.RunAsync(clinic.Data, [], "ledger", "verify", "--key", Repository.File("LICENSE"));
        CommandOutput noFolder = await clinic.RunAsync(clinic.Data, [], "ledger", "verify", "--checkpoints", "nowhere");

        Assert.Equal(1, verified.ExitCode);
        Assert.Contains("checkpoint 1: its signature is by no trusted key", verified.Output, StringComparison.Ordinal);
        Assert.Equal((2, 2), (noKey.ExitCode, noFolder.ExitCode));
        Assert.Contains("holds no unencrypted key", noKey.Errors, StringComparison.Ordinal);
        Assert.Contains("there is no folder", noFolder.Errors, StringComparison.Ordinal);
    }

    [Fact]
    public async Task The_running_service_exports_at_its_start_what_has_not_left_yet_and_says_the_hash()
    {
        string copy = clinic.Copy("running");
        Directory.Delete(Path.Combine(copy, "checkpoints"), recursive: true);
        Dictionary<string, string> settings = new(StringComparer.Ordinal) { ["Titration__DataFolder"] = copy, ["Titration__Health__Port"] = "0" };
        await using TitrationProcess service = TitrationProcess.Start(copy, settings, "run");
        string newest = Path.Combine(copy, "checkpoints");

        await Eventually.HoldsAsync(
            "all checkpoints and the public key in the folder",
            () => Task.FromResult(Directory.Exists(newest) && Directory.GetFiles(newest, "public-key-*.pem").Length == 1), Cancelled);
        await service.StopAsync(TimeSpan.FromSeconds(20));

        CommandOutput verified = await clinic.RunAsync(copy, [], "ledger", "verify");
        Assert.True(verified.ExitCode == 0, verified.Output + verified.Errors);
        Assert.Contains("signed by key", service.Output, StringComparison.Ordinal);
    }

    [Fact]
    public async Task Without_a_key_nothing_is_signed_and_the_verification_says_so()
    {
        ClinicDays days = ClinicDays.LongAgo();
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(days.At(1)), Cancelled);
        await worker.TakeInAsync(Cancelled, days.Order("p"));

        await worker.Services.GetRequiredService<ClinicCheckpoints>().RunAsync(Cancelled);
        CommandOutput verified = await worker.RunAsync(Cancelled, "ledger", "verify");

        Assert.True(verified.ExitCode == 0, verified.Output + verified.Errors);
        Assert.Contains("1 checkpoints are not signed", verified.Output, StringComparison.Ordinal);
    }
}
