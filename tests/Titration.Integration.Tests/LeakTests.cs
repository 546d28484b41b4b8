using System.Net.Http.Headers;
using System.Net.Http.Json;
using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Intake;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>
/// Marks in every text of a patient's resources, good and broken ones, through the executable with every log turned on: none of them may come out in
/// what it prints, in traces, metrics or logs that it sends, or in the headers of the error queue. Another mark, put where it has to come out, shows for each
/// of these that it would have been found.
/// </summary>
public sealed class LeakTests : IDisposable
{
    private readonly string _control = $"zc{Guid.NewGuid():N}"[..14];
    private readonly Planted _planted = new($"zm{Guid.NewGuid():N}"[..14]);
    private readonly string _folder;

    public LeakTests() => _folder = Directory.CreateTempSubdirectory($"titration-{_control}-").FullName;

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public void Dispose() => Directory.Delete(_folder, recursive: true);

    [Fact]
    public async Task Nothing_of_a_patient_comes_out_on_RabbitMQ_PostgreSQL_and_a_FHIR_server()
    {
        await using OtlpReceiver telemetry = await OtlpReceiver.StartAsync(Cancelled);
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await FailOnAsync(parts, $"{_planted.Mark}poison");
        foreach (JsonObject patient in _planted.Patients())
        {
            await parts.Peer.PutAsync(patient, Cancelled);
        }

        await parts.Peer.FaultsAsync(
            Cancelled, new Fault("POST /fhir/CommunicationRequest", Status: 500), new Fault("POST /fhir/DetectedIssue", Status: 422), new Fault("POST /fhir/Task", Drop: true));
        await using TitrationProcess service = TitrationProcess.Start(_folder, Environment(telemetry, parts.Settings()), "run");
        await service.LineAsync("health", Cancelled);

        await parts.Broker.PublishAsync(Cancelled, [.. await parts.Peer.SearchAsync("Patient", Cancelled), .. _planted.Resources()]);
        byte[][] broken = [.. _planted.Broken()];
        await parts.Broker.PublishAsync(broken.Select(body => ("Observation", body)), Cancelled);
        Dictionary<string, string> headers = new(StringComparer.Ordinal)
        {
            ["traceparent"] = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01",
            ["tracestate"] = $"clinic={_planted.Mark}state",
            ["baggage"] = $"patient={_planted.Mark}baggage",
        };
        await parts.Broker.PublishAsync("Observation", _planted.Order($"{_planted.Mark}traced").ToUtf8(), "application/fhir+json", headers, Cancelled);
        // Two ways into the error queue: a database that refuses, with a message that quotes the row; and an envelope that is none.
        headers = new(StringComparer.Ordinal) { ["x-control"] = _control };
        await parts.Broker.PublishAsync("MedicationRequest", _planted.Order($"{_planted.Mark}poison").ToUtf8(), "application/fhir+json", headers, Cancelled);
        await parts.Broker.PublishAsync("Observation", _planted.Broken().First(), "application/vnd.masstransit+json", headers, Cancelled);
        await parts.Broker.PublishAsync("Observation", _planted.Order($"{_planted.Mark}enveloped").ToUtf8(), "application/vnd.masstransit+json", headers, Cancelled);

        JsonObject task = await ProposalAsync(() => parts.Peer.SearchAsync("Task", Cancelled));
        await parts.Peer.PutAsync(_planted.Rejected(task), Cancelled);
        await parts.Broker.PublishAsync(Cancelled, _planted.Rejected(task));
        await Eventually.HoldsAsync("defects in the error queue", async () => await parts.Broker.DepthAsync(Broker.ErrorQueue, Cancelled) >= 2, Cancelled);
        await Eventually.HoldsAsync("messages in quarantine", async () => await QuarantinedAsync(parts) >= 8, Cancelled);
        await telemetry.CatchUpAsync(Cancelled);

        AssertSilent("the headers of the error queue", await parts.Broker.HeaderTextAsync(Broker.ErrorQueue, Cancelled));
        AssertSilent(service, telemetry);
    }

    [Fact]
    public async Task Nothing_of_a_patient_comes_out_in_the_embedded_mode()
    {
        await using OtlpReceiver telemetry = await OtlpReceiver.StartAsync(Cancelled);
        await using TitrationProcess service = TitrationProcess.Start(
            _folder, Environment(telemetry, new Dictionary<string, string>(StringComparer.Ordinal) { ["Titration:Health:Port"] = "0" }), "run");
        using HttpClient http = new() { BaseAddress = new Uri(new Uri(await service.LineAsync("health", Cancelled)), "/") };

        foreach (JsonObject patient in _planted.Patients())
        {
            await SendAsync(http, HttpMethod.Put, $"fhir/Patient/{patient["id"]}", patient.ToUtf8());
        }

        IReadOnlyList<JsonObject> patients = await SearchAsync(http, "Patient");
        foreach (byte[] body in patients.Concat(_planted.Resources()).Select(r => r.ToUtf8()).Concat(_planted.Broken()))
        {
            await SendAsync(http, HttpMethod.Post, "inbound", body);
        }

        JsonObject task = await ProposalAsync(() => SearchAsync(http, "Task"));
        await SendAsync(http, HttpMethod.Post, "inbound", _planted.Rejected(task).ToUtf8());
        await telemetry.CatchUpAsync(Cancelled);

        AssertSilent(service, telemetry);
    }

    private void AssertSilent(TitrationProcess service, OtlpReceiver telemetry)
    {
        AssertSilent("what it prints", service.Output);
        Assert.Contains("titration.patient.hash", telemetry.Text("traces"), StringComparison.Ordinal);
        foreach (string signal in new[] { "traces", "metrics", "logs" })
        {
            AssertSilent(signal, telemetry.Text(signal));
        }
    }

    private void AssertSilent(string where, string text)
    {
        Assert.True(text.Contains(_control, StringComparison.OrdinalIgnoreCase), $"The mark that shows that {where} was looked at was not found.");
        Assert.True(Planted.Around(text, _planted.Mark) is not { } found, $"In {where} stands: {Planted.Around(text, _planted.Mark)}");
    }

    /// <summary>Every log there is, on the console and by OTLP, whatever the service's own filters say.</summary>
    private Dictionary<string, string> Environment(OtlpReceiver telemetry, IReadOnlyDictionary<string, string> settings)
    {
        Dictionary<string, string> environment = new(telemetry.Environment, StringComparer.Ordinal)
        {
            ["OTEL_RESOURCE_ATTRIBUTES"] = $"control={_control}",
            ["Logging__Console__LogLevel__Default"] = "Trace",
            ["Logging__OpenTelemetry__LogLevel__Default"] = "Trace",
            // What stands for a patient in traces is made of the id, and must not be it.
            ["Titration:Privacy:Key"] = new string('k', 32),
            // Printed at the start.
            ["Titration:DataFolder"] = Path.Combine(_folder, _control),
            // All of it leaves now, whatever the hour is.
            ["Titration:PatientMessages:QuietFrom"] = "00:00",
            ["Titration:PatientMessages:QuietUntil"] = "00:00",
            ["Titration:PatientMessages:MostPerDay"] = "10",
        };
        foreach ((string name, string value) in settings)
        {
            environment[name] = value;
        }

        return environment;
    }

    private static async Task<JsonObject> ProposalAsync(Func<Task<IReadOnlyList<JsonObject>>> tasks)
    {
        IReadOnlyList<JsonObject> found = await Eventually.BecomesAsync(
            "the proposal", async () => (IReadOnlyList<JsonObject>)[.. (await tasks()).Where(t => t["code"]!["coding"]![0]!["code"]!.GetValue<string>() == "approve")], all => all.Count > 0, Cancelled);
        return found[0];
    }

    private static async Task<IReadOnlyList<JsonObject>> SearchAsync(HttpClient http, string type)
    {
        JsonObject bundle = (await http.GetFromJsonAsync<JsonObject>(new Uri($"fhir/{type}?_count=1000", UriKind.Relative), Cancelled))!;
        return [.. bundle["entry"]?.AsArray().Select(e => e!["resource"]!.AsObject()) ?? []];
    }

    private static async Task SendAsync(HttpClient http, HttpMethod method, string path, byte[] body)
    {
        using HttpRequestMessage request = new(method, new Uri(path, UriKind.Relative)) { Content = new ByteArrayContent(body) };
        request.Content.Headers.ContentType = new MediaTypeHeaderValue("application/fhir+json");
        using HttpResponseMessage response = await http.SendAsync(request, Cancelled);
        Assert.True((int)response.StatusCode is 200 or 201 or 422, $"{method} {path}: {response.StatusCode}");
    }

    private static async Task<int> QuarantinedAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Quarantine.Held().CountAsync(Cancelled);
    }

    /// <summary>A database that refuses a patient for good, and says in its message all that it refused.</summary>
    private static async Task FailOnAsync(Surroundings parts, string patient)
    {
        await using TitrationDbContext database = parts.Open();
        string refusal = $$"""
            CREATE FUNCTION refuse() RETURNS trigger LANGUAGE plpgsql AS $f$
            BEGIN
                IF NEW.patient = '{{patient}}' THEN RAISE EXCEPTION 'refused %', row_to_json(NEW) USING ERRCODE = '23000'; END IF;
                RETURN NEW;
            END $f$;
            CREATE TRIGGER refuse BEFORE INSERT ON fact FOR EACH ROW EXECUTE FUNCTION refuse();
            """;
        await database.Database.ExecuteSqlRawAsync(refusal, Cancelled);
    }
}
