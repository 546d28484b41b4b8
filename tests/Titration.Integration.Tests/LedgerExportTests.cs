using System.Text.Json.Nodes;
using Microsoft.Data.Sqlite;
using Titration.Fhir.Tests.Writing;
using Titration.Storage.Ledger;
using Titration.TestKit;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary><c>titration ledger export</c>, verified as an auditor would: without the service, by a script of Node alone, sha256sum and openssl.</summary>
public sealed class LedgerExportTests(ExportedClinic clinic) : IClassFixture<ExportedClinic>
{
    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    private string Data => clinic.Data;

    private string Export => clinic.Export;

    [Fact]
    public async Task An_auditor_without_the_service_finds_nothing_wrong_with_it_and_finds_whatever_is_changed()
    {
        (int code, string said) = await VerifyAsync(Export, "--key", Path.Combine(Export, "public-key.pem"), "--checkpoints", Path.Combine(Data, "checkpoints"));
        Assert.True(code == 0, said);
        Assert.EndsWith("Nothing is wrong.\n", said, StringComparison.Ordinal);

        // The same by the programs of any Linux.
        (code, said, string errors) = await Node.ExecuteAsync(
            "bash", ["-c", "cd \"$1\" && sha256sum --check --quiet SHA256SUMS && openssl dgst -sha256 -verify public-key.pem -signature SHA256SUMS.sig SHA256SUMS", "bash", Export], Cancelled);
        Assert.True(code == 0, said + errors);
        Assert.Contains("Verified OK", said, StringComparison.Ordinal);

        await ShowsAsync("decisions.ndjson", "\\\"outcome\\\":\\\"StepUp\\\"", "\\\"outcome\\\":\\\"Maintain\\\"", "content of decision");
        await ShowsAsync("decisions.ndjson", "\"decidedAt\":\"2026-02", "\"decidedAt\":\"2025-02", ": decision ");
        await ShowsAsync("facts.ndjson", "\"receivedAt\":\"2026-01", "\"receivedAt\":\"2025-01", ": fact ");
        await ShowsAsync("policies.ndjson", "\"base64\":\"ew", "\"base64\":\"fw", "policy ");
        await ShowsAsync(Path.Combine("checkpoints", CheckpointFolder.NameOf(2)), "\"decisions\":", "\"decisions\":1", "does not hold together");

        async Task ShowsAsync(string file, string before, string after, string expected)
        {
            string path = Path.Combine(Export, file);
            string text = await File.ReadAllTextAsync(path, Cancelled);
            int place = text.IndexOf(before, StringComparison.Ordinal);
            Assert.True(place >= 0, $"{file} holds no {before}");
            await File.WriteAllTextAsync(path, text[..place] + after + text[(place + before.Length)..], Cancelled);
            (int exitCode, string output) = await VerifyAsync(Export);
            await File.WriteAllTextAsync(path, text, Cancelled);
            Assert.Equal(1, exitCode);
            Assert.Contains($"WRONG  {file.Replace('\\', '/')}: missing, or not what SHA256SUMS says", output, StringComparison.Ordinal);
            Assert.Contains(expected, output, StringComparison.Ordinal);
        }
    }

    [Fact]
    public async Task Its_Provenances_and_AuditEvents_are_valid_by_our_profiles_and_by_validators_of_others()
    {
        string resources = Directory.CreateDirectory(Path.Combine(clinic.Folder, "resources")).FullName;
        int provenances = 0, audits = 0;
        foreach (string line in File.ReadLines(Path.Combine(Export, "Provenance.ndjson")).Concat(File.ReadLines(Path.Combine(Export, "AuditEvent.ndjson"))))
        {
            JsonNode resource = JsonNode.Parse(line)!;
            bool isAudit = resource["resourceType"]!.GetValue<string>() == "AuditEvent";
            if (isAudit)
            {
                AssertBalp(resource);
                // IHE's profile is not at hand here: the lines above stand for it.
                resource.AsObject().Remove("meta");
            }

            IReadOnlyList<string> errors = R4.ErrorsOf(R4.Parse(resource.ToJsonString()));
            Assert.True(errors is [], $"{line}: {string.Join("; ", errors)}");
            await File.WriteAllTextAsync(Path.Combine(resources, $"{resource["resourceType"]}-{resource["id"]}.json"), line, Cancelled);
            (provenances, audits) = isAudit ? (provenances, audits + 1) : (provenances + 1, audits);
        }

        Assert.InRange(provenances, 50, int.MaxValue);
        Assert.InRange(audits, 50, int.MaxValue);
        Assert.Equal(provenances + audits, Directory.GetFiles(resources).Length);
        (int exitCode, string output) = await Node.RunAsync("validators", "validate.mjs", Cancelled, resources);
        Assert.True(exitCode == 0, output);
        TestContext.Current.TestOutputHelper?.WriteLine($"{provenances} Provenances, {audits} AuditEvents; {output}");
    }

    [Fact]
    public async Task Of_an_erased_patient_only_links_that_tell_nothing_are_in_it()
    {
        foreach (string file in Directory.GetFiles(Export, "*", SearchOption.AllDirectories))
        {
            Assert.DoesNotContain("birch-2", await File.ReadAllTextAsync(file, Cancelled), StringComparison.Ordinal);
        }

        Assert.Contains("\"content\":null", await File.ReadAllTextAsync(Path.Combine(Export, "decisions.ndjson"), Cancelled), StringComparison.Ordinal);
        CommandOutput again = await clinic.RunAsync("ledger", "export", Export);
        Assert.Equal(2, again.ExitCode);
        Assert.Contains("is not empty", again.Errors, StringComparison.Ordinal);
        CommandOutput verified = await clinic.RunAsync("ledger", "verify");
        Assert.True(verified.ExitCode == 0, verified.Output);
        CommandOutput replayed = await clinic.RunAsync("replay");
        Assert.True(replayed.ExitCode == 0, replayed.Output);
        Assert.Contains("of 1 erased patients are left out", replayed.Output, StringComparison.Ordinal);
    }

    /// <summary>What IHE BALP 1.1 asks of PatientCreate and PatientUpdate: https://profiles.ihe.net/ITI/BALP (input/fsh/PatientCreate.fsh, PatientUpdate.fsh).</summary>
    private static void AssertBalp(JsonNode audit)
    {
        string action = audit["action"]!.GetValue<string>();
        string interaction = action == "C" ? "create" : "update";
        Assert.Equal(
            $"https://profiles.ihe.net/ITI/BALP/StructureDefinition/IHE.BasicAudit.Patient{(action == "C" ? "Create" : "Update")}", Assert.Single(audit["meta"]!["profile"]!.AsArray())!.GetValue<string>());
        Assert.Equal(("rest", interaction, "0"), (audit["type"]!["code"]!.GetValue<string>(), Assert.Single(audit["subtype"]!.AsArray())!["code"]!.GetValue<string>(), audit["outcome"]!.GetValue<string>()));
        Assert.NotNull(audit["recorded"]);
        foreach (string role in (string[])["110153", "110152"])
        {
            JsonNode agent = Assert.Single(audit["agent"]!.AsArray(), a => a!["type"]!["coding"]![0]!["code"]!.GetValue<string>() == role)!;
            Assert.NotNull(agent["who"]);
            Assert.NotNull(agent["network"]);
            Assert.Null(agent["media"]);
        }

        JsonArray entities = audit["entity"]!.AsArray();
        JsonNode patient = Assert.Single(entities, e => e!["type"]?["code"]!.GetValue<string>() == "1")!;
        JsonNode data = Assert.Single(entities, e => e!["type"]?["code"]!.GetValue<string>() == "2")!;
        Assert.Equal("1", patient["role"]!["code"]!.GetValue<string>());
        Assert.StartsWith("Patient/", patient["what"]!["reference"]!.GetValue<string>(), StringComparison.Ordinal);
        Assert.Equal("4", data["role"]!["code"]!.GetValue<string>());
        Assert.NotNull(data["what"]!["reference"]);
    }

    private static Task<(int Code, string Said)> VerifyAsync(params string[] arguments) => Node.RunFileAsync(Repository.File("docs", "verify-export.mjs"), Cancelled, arguments);
}

/// <summary>Two months of a small invented clinic, one of whose patients was erased, and its export.</summary>
public sealed class ExportedClinic : IAsyncLifetime
{
    private readonly string _folder = Directory.CreateTempSubdirectory("titration-export-").FullName;

    private static CancellationToken Cancelled => CancellationToken.None;

    public string Folder => _folder;

    public string Data => Path.Combine(_folder, "data");

    public string Export => Path.Combine(_folder, "export");

    public async ValueTask InitializeAsync()
    {
        CommandOutput demo = await RunAsync("demo", "--patients", "8", "--days", "60", "--data", Data);
        Assert.True(demo.ExitCode == 0, demo.Output + demo.Errors);
        CommandOutput erasure = await RunAsync("patient", "erase", "birch-2", "--yes");
        Assert.True(erasure.ExitCode == 0, erasure.Output + erasure.Errors);
        CommandOutput export = await RunAsync("ledger", "export", Export);
        Assert.True(export.ExitCode == 0, export.Output + export.Errors);
    }

    public ValueTask DisposeAsync()
    {
        SqliteConnection.ClearAllPools();
        Directory.Delete(_folder, recursive: true);
        return ValueTask.CompletedTask;
    }

    /// <summary>Runs a command on its data.</summary>
    public Task<CommandOutput> RunAsync(params string[] arguments) => TitrationProcess.RunAsync(
        _folder, input: null, new Dictionary<string, string>(StringComparer.Ordinal) { ["Titration__DataFolder"] = Data, ["Titration__Privacy__Key"] = "a key of the test's own, long enough" }, arguments, Cancelled);
}
