using System.Collections.Immutable;
using System.Text.Json;
using System.Text.Json.Nodes;
using Titration.TestKit;
using Titration.Worker.Checking;
using Titration.Worker.Delivery;
using Xunit;

namespace Titration.Worker.Tests.Checking;

/// <summary>What <c>titration check</c> makes of what it sees.</summary>
public sealed class CheckTests
{
    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task On_embedded_parts_that_run_nothing_is_wrong_but_the_clinic_that_nobody_has_created()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(TimeProvider.System, Cancelled);
        (string, string)[] server = [("Titration__FhirServer__BaseUrl", $"{worker.Http.BaseAddress}fhir")];

        IReadOnlyList<CheckedRow> before = CheckedRow.Of(await worker.RunAsync(server, ["check", "--json"], Cancelled));
        await worker.PutAsync(new JsonObject { ["resourceType"] = "Organization", ["id"] = "clinic" }, Cancelled);
        CommandOutput output = await worker.RunAsync(server, ["check", "--json"], Cancelled);

        Assert.Equal(["Organization/clinic"], before.Where(r => r.State == "wrong").Select(r => r.Subject), StringComparer.Ordinal);
        Assert.Equal("""
            settings: ok
            time zone: warning
            patients followed: ok
            protocol: warning
            mapping file: ok
            wording: ok
            data folder: ok
            privacy key: warning
            broker: warning
            database: ok
            schema: ok
            adopted policy: ok
            FHIR server: ok
            FHIR server's TLS: ok
            FHIR server's clock: ok
            access token: ok
            FHIR version: ok
            CommunicationRequest: ok
            Device: ok
            DetectedIssue: ok
            Flag: ok
            Medication: ok
            MedicationRequest: ok
            Observation: ok
            Patient: ok
            Provenance: ok
            Task: ok
            search by _lastUpdated: ok
            changes: ok
            reading: ok
            Organization/clinic: ok
            """, CheckedRow.States(CheckedRow.Of(output)));
        Assert.Equal(0, output.ExitCode);
    }

    [Fact]
    public async Task Without_any_configuration_and_with_nothing_running_nothing_is_wrong_and_nothing_is_made()
    {
        using TemporaryFolder folder = new();

        CommandOutput output = await TitrationProcess.RunAsync(folder.Path, null, new Dictionary<string, string>(StringComparer.Ordinal) { ["Titration__Health__Port"] = "9" }, ["check"], Cancelled);

        Assert.Equal(0, output.ExitCode);
        Assert.Contains("comes and goes with `titration run`", output.Output, StringComparison.Ordinal);
        Assert.Empty(Directory.EnumerateFileSystemEntries(folder.Path));
    }

    [Fact]
    public async Task Every_problem_of_the_settings_is_a_row()
    {
        using TemporaryFolder folder = new();

        CommandOutput output = await TitrationProcess.RunAsync(
            folder.Path, null,
            new Dictionary<string, string>(StringComparer.Ordinal) { ["Titration__Clinic__TimeZone"] = "Atlantis", ["Titration__Health__Port"] = "99999", ["Titration__Mapping__File"] = "no.json" },
            ["check", "--json"], Cancelled);

        IReadOnlyList<CheckedRow> rows = CheckedRow.Of(output);
        Assert.Equal(1, output.ExitCode);
        Assert.Equal(3, rows.Count(r => r is { Subject: "settings", State: "wrong" }));
        Assert.Equal(["broker", "database", "FHIR server"], rows.Where(r => r.State == "not checked").Select(r => r.Subject), StringComparer.Ordinal);
    }

    [Theory]
    [InlineData("the right one", "warning", "valid until")]
    [InlineData("another name", "wrong", "it is for another host name")]
    [InlineData("a stranger's", "wrong", "no authority that is trusted here")]
    [InlineData("one that has ended", "wrong", "has run out")]
    public async Task A_certificate_is_told_with_its_end_and_why_it_is_not_accepted(string server, string state, string seen)
    {
        using TemporaryFolder folder = new();
        using CertificateAuthority clinic = new(folder.Path, "clinic");
        using CertificateAuthority stranger = new(folder.Path, "stranger");
        CertificateAuthority issuer = server == "a stranger's" ? stranger : clinic;
        await using TokenServer fhir = await TokenServer.StartAsync(
            Cancelled, issuer.Issue("server", server == "another name" ? "fhir.clinic.example.org" : "localhost", isExpired: server == "one that has ended"));

        CommandOutput output = await TitrationProcess.RunAsync(
            folder.Path, null,
            new Dictionary<string, string>(StringComparer.Ordinal) { ["Titration__FhirServer__BaseUrl"] = $"{fhir.Fhir}", ["Titration__FhirServer__Tls__CaFile"] = clinic.File },
            ["check", "--json"], Cancelled);

        // Where the certificate is wrong there is no server to speak of.
        CheckedRow row = CheckedRow.Of(output).Single(r => r.Subject == (state == "wrong" ? "FHIR server" : "FHIR server's TLS"));
        Assert.Equal(state, row.State);
        Assert.Contains(seen, row.Seen, StringComparison.Ordinal);
        Assert.NotNull(row.Remedy);
    }

    [Theory]
    [InlineData("updateCreate", null, "Provenance", "warning", "says nothing of update-as-create")]
    [InlineData("updateCreate", "false", "Provenance", "ok", "If-None-Exist on target and agent")]
    [InlineData("conditionalCreate", "false", "Task", "wrong", "without conditional create")]
    [InlineData("conditionalCreate", null, "Task", "warning", "says nothing of conditional create")]
    [InlineData("versioning", "\"no-version\"", "Task", "wrong", "without versions (If-Match)")]
    [InlineData("versioning", null, "Flag", "warning", "says nothing of versions (If-Match)")]
    [InlineData("searchParam", "[]", "CommunicationRequest", "wrong", "without search by identifier")]
    [InlineData("interaction", """[{ "code": "read" }, { "code": "create" }]""", "DetectedIssue", "wrong", "without update")]
    [InlineData("interaction", "[]", "Observation", "wrong", "not among what the server offers")]
    public void What_the_statement_says_of_a_type_decides_about_its_row(string property, string? value, string type, string state, string seen)
    {
        JsonObject statement = Whole();
        JsonObject resource = statement["rest"]![0]!["resource"]!.AsArray().Single(r => r!["type"]!.GetValue<string>() == type)!.AsObject();
        resource.Remove(property);
        if (value is not null)
        {
            resource[property] = JsonNode.Parse(value);
        }
        else if (property == "updateCreate")
        {
            resource["conditionalCreate"] = false;
        }

        CheckRow row = Rows(statement).Single(r => r.Subject == type);

        Assert.Equal(state, JsonSerializer.Serialize(row.State).Trim('"'));
        Assert.Contains(seen, row.Seen, StringComparison.Ordinal);
        Assert.All(Rows(statement).Where(r => r.Subject != type && r.Subject != "search by _lastUpdated"), r => Assert.Equal(CheckState.Ok, r.State));
    }

    [Fact]
    public void With_neither_way_of_writing_a_Provenance_the_server_cannot_be_used()
    {
        JsonObject statement = Whole();
        JsonObject provenance = statement["rest"]![0]!["resource"]!.AsArray().Single(r => r!["type"]!.GetValue<string>() == "Provenance")!.AsObject();
        provenance["updateCreate"] = false;
        provenance["searchParam"] = new JsonArray();

        Assert.Equal(CheckState.Wrong, Rows(statement).Single(r => r.Subject == "Provenance").State);
    }

    [Theory]
    [InlineData("4.0.1", "ok")]
    [InlineData("4.3.0", "wrong")]
    [InlineData("5.0.0", "wrong")]
    [InlineData("3.0.2", "wrong")]
    public void Only_R4_will_do(string version, string state)
    {
        JsonObject statement = Whole();
        statement["fhirVersion"] = version;

        Assert.Equal(state, JsonSerializer.Serialize(Rows(statement)[0].State).Trim('"'));
    }

    [Theory]
    [InlineData("system/Task.crus", "system/Task.crus", "")]
    [InlineData("system/Task.crus", "system/Task.cruds", "")]
    [InlineData("system/Task.crus", "system/*.*", "")]
    [InlineData("system/Task.crus", "system/Task.read", "system/Task.cu")]
    [InlineData("system/Task.crus", "system/Task.read system/Task.write", "")]
    [InlineData("system/Task.crus system/Patient.r", "system/*.rs", "system/Task.cu")]
    [InlineData("system/Observation.rs", "system/Observation.rs?category=laboratory", "system/Observation.rs")]
    [InlineData("system/Observation.rs", "user/Observation.rs patient/*.read openid", "system/Observation.rs")]
    public void Scopes_of_both_versions_of_SMART_are_understood(string needed, string granted, string missing) =>
        Assert.Equal(missing, string.Join(' ', SmartScope.Missing(needed, granted)));

    [Theory]
    [InlineData(0, "ok")]
    [InlineData(4, "ok")]
    [InlineData(-4, "ok")]
    [InlineData(6, "warning")]
    [InlineData(-7, "warning")]
    [InlineData(61, "wrong")]
    [InlineData(-62, "wrong")]
    public void Clocks_that_differ_are_told(int seconds, string state)
    {
        DateTimeOffset now = new(2026, 3, 1, 12, 0, 0, TimeSpan.Zero);

        Assert.Equal(state, JsonSerializer.Serialize(ClockRow.Of("clock", now.AddSeconds(seconds), now, now, TimeSpan.FromSeconds(1)).State).Trim('"'));
    }

    private static ImmutableArray<CheckRow> Rows(JsonObject statement)
    {
        using JsonDocument document = JsonDocument.Parse(statement.ToJsonString());
        return AbilitiesCheck.Of(ServerAbilities.Of(document.RootElement), pollSeconds: 0);
    }

    /// <summary>A server that has all of it.</summary>
    private static JsonObject Whole()
    {
        JsonObject needed = JsonNode.Parse(File.ReadAllText(Repository.File("contracts", "fhir", "CapabilityStatement-titration-fhir-server.json")))!.AsObject();
        JsonArray types = [];
        foreach (JsonNode? resource in needed["rest"]![0]!["resource"]!.AsArray())
        {
            types.Add(JsonNode.Parse($$"""
                {
                  "type": "{{resource!["type"]}}", "versioning": "versioned", "updateCreate": true, "conditionalCreate": true,
                  "interaction": [{ "code": "read" }, { "code": "create" }, { "code": "update" }, { "code": "search-type" }],
                  "searchParam": [{ "name": "identifier", "type": "token" }, { "name": "target", "type": "reference" }, { "name": "agent", "type": "reference" }]
                }
                """));
        }

        return JsonNode.Parse($$"""
            {
              "resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "format": ["application/fhir+json"],
              "rest": [{ "mode": "server", "resource": {{types.ToJsonString()}}, "searchParam": [{ "name": "_lastUpdated", "type": "date" }] }]
            }
            """)!.AsObject();
    }
}
