using System.Security.Cryptography;
using System.Text.Json.Nodes;
using RabbitMQ.Client;
using Titration.TestKit;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary><c>titration check</c> against real parts: what is right, what is wrong, and what to do stands in its table.</summary>
public sealed class CheckTests : IAsyncLifetime
{
    // What no clinic's server is needed for.
    private const string Before = """
        settings: ok
        time zone: ok
        patients followed: ok
        protocol: ok
        mapping file: ok
        wording: ok
        data folder: ok
        privacy key: ok

        """;

    private const string PartsBefore = $"""
        {Before}broker: ok
        broker's TLS: ok
        queue titration.inbound: ok
        exchange clinic.fhir: ok
        bindings: not checked
        database: ok
        schema: ok
        database's clock: ok
        adopted policy: ok

        """;

    private const string Abilities = """
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

        """;

    private readonly string _folder = Directory.CreateTempSubdirectory("titration-check-").FullName;
    private Surroundings _parts = null!;

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public async ValueTask InitializeAsync()
    {
        _parts = await Surroundings.CreateAsync(Cancelled);
        await _parts.Peer.PutAsync(new JsonObject { ["resourceType"] = "Organization", ["id"] = "clinic", ["active"] = true, ["name"] = "Elm Street" }, Cancelled);
        // Once, as a clinic would: the queue is made.
        await using RunningWorker worker = await RunningWorker.StartAsync(Clinic(), TimeProvider.System, Cancelled);
    }

    public async ValueTask DisposeAsync()
    {
        // It may ask for tokens by now, of whoever wants to see what stands there.
        await _parts.Peer.ResetAsync(CancellationToken.None);
        await _parts.DisposeAsync();
        Directory.Delete(_folder, recursive: true);
    }

    [Fact]
    public async Task Where_all_is_well_nothing_is_wrong_and_nothing_was_written()
    {
        await _parts.Peer.ResetLogAsync(Cancelled);

        (int exitCode, IReadOnlyList<CheckedRow> rows) = await CheckAsync();

        Assert.Equal($"""
            {PartsBefore}FHIR server: ok
            FHIR server's TLS: ok
            FHIR server's clock: ok
            access token: ok
            {Abilities}reading: ok
            Organization/clinic: ok
            """, CheckedRow.States(rows));
        Assert.Equal(0, exitCode);
        Assert.All(rows, r => Assert.True(r.State != "ok" || r.Remedy is null, r.Subject));
        Assert.All(await _parts.Peer.LogAsync(Cancelled), r => Assert.Equal("GET", r.Method));
    }

    [Fact]
    public async Task A_server_without_update_as_create_is_right_and_the_other_way_of_writing_is_said()
    {
        await _parts.Peer.BecomeAsync(new { updateCreate = false }, Cancelled);

        (int exitCode, IReadOnlyList<CheckedRow> rows) = await CheckAsync();

        Assert.True(exitCode == 0, CheckedRow.States(rows));
        Assert.Equal(
            ("ok", "no update-as-create; instead it is created with If-None-Exist on target and agent, under an id of the server's"),
            (rows.Single(r => r.Subject == "Provenance").State, rows.Single(r => r.Subject == "Provenance").Seen));
        Assert.Contains("If-None-Exist on identifier", rows.Single(r => r.Subject == "Device").Seen, StringComparison.Ordinal);
    }

    [Fact]
    public async Task A_server_that_refuses_the_tokens_of_its_own_authorization_server_is_told_from_one_that_gives_none()
    {
        await using TokenServer authorization = await TokenServer.StartAsync(Cancelled);
        using RSA key = RSA.Create(2048);
        authorization.Register("k1", key);
        string keys = Path.Combine(_folder, "keys.json");
        ClientKeyFile.Write(keys, ClientKeyFile.Private(key, "k1"));
        (string, string)[] smart =
        [
            ("Titration:FhirServer:Auth", "smart"), ("Titration:FhirServer:Smart:ClientId", "titration-clinic"),
            ("Titration:FhirServer:Smart:KeysFile", keys), ("Titration:FhirServer:Smart:TokenEndpoint", authorization.TokenEndpoint),
        ];
        await _parts.Peer.BecomeAsync(new { token = "another" }, Cancelled);

        (int refused, IReadOnlyList<CheckedRow> rows) = await CheckAsync(smart);
        authorization.TokenFault = (401, """{ "error": "invalid_client" }""");
        (int none, IReadOnlyList<CheckedRow> without) = await CheckAsync(smart);

        Assert.Equal($"""
            {PartsBefore}FHIR server: ok
            FHIR server's TLS: ok
            FHIR server's clock: ok
            access token: ok
            scopes: ok
            {Abilities}reading: wrong
            Organization/clinic: not checked
            """, CheckedRow.States(rows));
        CheckedRow reading = rows.Single(r => r.Subject == "reading");
        Assert.Contains("does not accept the token (HTTP 401)", reading.Seen, StringComparison.Ordinal);
        Assert.Contains("audience", reading.Remedy, StringComparison.Ordinal);
        Assert.Equal($"""
            {PartsBefore}FHIR server: ok
            FHIR server's TLS: ok
            FHIR server's clock: ok
            access token: wrong
            scopes: not checked
            {Abilities}reading: not checked
            """, CheckedRow.States(without));
        CheckedRow token = without.Single(r => r.Subject == "access token");
        Assert.Equal("none to be had: token-http-401-invalid_client", token.Seen);
        Assert.Contains("Register the public key", token.Remedy, StringComparison.Ordinal);
        Assert.Equal((1, 1), (refused, none));
    }

    [Fact]
    public async Task A_scope_that_was_not_granted_is_named()
    {
        await using TokenServer authorization = await TokenServer.StartAsync(Cancelled);
        using RSA key = RSA.Create(2048);
        authorization.Register("k1", key);
        authorization.Grants = "system/*.read system/CommunicationRequest.cu system/Task.write system/Provenance.u system/DetectedIssue.cruds system/Flag.*";
        string keys = Path.Combine(_folder, "keys.json");
        ClientKeyFile.Write(keys, ClientKeyFile.Private(key, "k1"));
        await _parts.Peer.BecomeAsync(new { token = "token-1", forbidden = new[] { "Observation" } }, Cancelled);

        (int exitCode, IReadOnlyList<CheckedRow> rows) = await CheckAsync(
            ("Titration:FhirServer:Auth", "smart"), ("Titration:FhirServer:Smart:ClientId", "titration-clinic"),
            ("Titration:FhirServer:Smart:KeysFile", keys), ("Titration:FhirServer:Smart:TokenEndpoint", authorization.TokenEndpoint));

        Assert.Equal(1, exitCode);
        Assert.Equal("not granted: system/Provenance.c system/Device.cu", rows.Single(r => r.Subject == "scopes").Seen);
        Assert.Contains(rows, r => r is { Subject: "reading", State: "wrong" } && r.Seen.Contains("may not do this (HTTP 403): Observation", StringComparison.Ordinal));
    }

    [Fact]
    public async Task Dead_parts_give_a_table_and_no_hanging()
    {
        (int exitCode, IReadOnlyList<CheckedRow> rows) = await CheckAsync(
            ("Titration:Broker:Uri", "amqp://127.0.0.1:9"), ("Titration:Database:ConnectionString", "Host=127.0.0.1;Port=9;Database=titration;Username=titration"),
            ("Titration:FhirServer:BaseUrl", "http://127.0.0.1:9/fhir"));

        Assert.Equal($"""
            {Before}broker: wrong
            broker's TLS: not checked
            queue titration.inbound: not checked
            exchange clinic.fhir: not checked
            database: wrong
            schema: not checked
            database's clock: not checked
            FHIR server: wrong
            FHIR server's clock: not checked
            access token: not checked
            CapabilityStatement: not checked
            reading: not checked
            """, CheckedRow.States(rows));
        Assert.Equal(1, exitCode);
        Assert.All(rows.Where(r => r.State == "wrong"), r => Assert.Contains("See whether it runs and can be reached from here", r.Remedy, StringComparison.Ordinal));
    }

    [Fact]
    public async Task A_server_that_takes_the_connection_and_never_answers_gives_a_table_too()
    {
        await _parts.Peer.FaultsAsync(Cancelled, new Fault("GET /fhir/metadata", DelayMs: 60_000));

        (int exitCode, IReadOnlyList<CheckedRow> rows) = await CheckAsync(("Titration:FhirServer:TimeoutSeconds", "1"));

        CheckedRow server = rows.Single(r => r.Subject == "FHIR server");
        Assert.Equal(("wrong", 1), (server.State, exitCode));
        Assert.Contains("does not answer in time", server.Seen, StringComparison.Ordinal);
    }

    [Fact]
    public async Task A_queue_of_another_type_a_missing_table_and_a_missing_clinic_are_each_said_with_what_to_do()
    {
        await using Broker broker = await Broker.CreateAsync(Cancelled);
        ConnectionFactory factory = new() { Uri = broker.Address };
        await using (IConnection connection = await factory.CreateConnectionAsync(Cancelled))
        await using (IChannel channel = await connection.CreateChannelAsync(cancellationToken: Cancelled))
        {
            await channel.QueueDeclareAsync(Broker.Queue, durable: true, exclusive: false, autoDelete: false, cancellationToken: Cancelled);
        }

        await using PostgresDatabase empty = await PostgresDatabase.CreateAsync(Cancelled);
        (int exitCode, IReadOnlyList<CheckedRow> rows) = await CheckAsync(
            ("Titration:Broker:Uri", broker.Address.AbsoluteUri), ("Titration:Database:ConnectionString", empty.ConnectionString),
            ("Titration:Clinic:Organization", "Organization/nowhere"));

        Assert.Equal(1, exitCode);
        Assert.Equal(
            ["queue titration.inbound", "schema", "Organization/nowhere"], rows.Where(r => r.State == "wrong").Select(r => r.Subject), StringComparer.Ordinal);
        Assert.Contains("inequivalent arg", rows.Single(r => r.Subject == "queue titration.inbound").Seen, StringComparison.Ordinal);
        Assert.Contains("titration database migrate", rows.Single(r => r.Subject == "schema").Remedy, StringComparison.Ordinal);
        Assert.Equal("not there yet", rows.Single(r => r.Subject == "exchange clinic.fhir").Seen);
        Assert.Null(await broker.AskAsync($"exchanges/{{0}}/{Broker.Exchange}", Cancelled));
    }

    private Dictionary<string, string> Clinic()
    {
        Dictionary<string, string> settings = _parts.Settings();
        settings["Titration:Clinic:TimeZone"] = "Europe/London";
        settings["Titration:Protocol:File"] = Repository.File("contracts", "protocols", "topical-retinoid-titration.json");
        settings["Titration:Privacy:Key"] = "0123456789abcdef0123456789abcdef";
        return settings;
    }

    private async Task<(int ExitCode, IReadOnlyList<CheckedRow> Rows)> CheckAsync(params (string Name, string Value)[] settings)
    {
        Dictionary<string, string> environment = Clinic();
        foreach ((string name, string value) in settings)
        {
            environment[name] = value;
        }

        CommandOutput output = await TitrationProcess.RunAsync(_folder, null, environment, ["check", "--json"], Cancelled);
        return (output.ExitCode, CheckedRow.Of(output));
    }
}
