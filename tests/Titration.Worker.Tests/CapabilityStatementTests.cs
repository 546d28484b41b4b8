using System.Collections.Concurrent;
using System.Diagnostics;
using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Communications;
using Titration.Storage;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Titration.Worker.Intake;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>
/// What the service really asks of a FHIR server, recorded at its HttpClient, against what contracts/fhir says that it needs. A service that asks
/// for more would not work at a clinic whose server was chosen by the statement.
/// </summary>
public sealed class CapabilityStatementTests
{
    private const string Expectation = "http://hl7.org/fhir/StructureDefinition/capabilitystatement-expectation";

    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task The_service_asks_for_what_the_statement_demands_and_for_nothing_else()
    {
        using Recorder recorder = new();
        ShiftedClock clock = new(_days.At(14));
        await using (EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled))
        {
            recorder.Only(worker.Http.BaseAddress!);
            await PlayAsync(worker, clock);
        }

        Assert.Equal(Demanded(), recorder.Asked.Order(StringComparer.Ordinal), StringComparer.Ordinal);
    }

    /// <summary>A step up withdrawn by a stop finding, which was entered in error; products and resources that are only named; a Task answered.</summary>
    private async Task PlayAsync(EmbeddedWorker worker, ShiftedClock clock)
    {
        await worker.PutAsync(FhirJson.Patient("asked"), Cancelled);
        await worker.PutAsync(new JsonObject { ["resourceType"] = "Medication", ["id"] = "cream", ["code"] = _days.Order("asked")["medicationCodeableConcept"]!.DeepClone() }, Cancelled);
        await worker.PutAsync(
            _days.Order("asked").Without("medicationCodeableConcept").With(o => o["medicationReference"] = new JsonObject { ["reference"] = "Medication/cream" }), Cancelled);
        await worker.PutAsync(_days.CheckIn("asked", 5, applied: 3), Cancelled);
        await NotifyAsync(worker, "MedicationRequest", "rx-asked");
        await NotifyAsync(worker, "Observation", "check-asked-5");
        await worker.TakeInAsync(Cancelled, _days.CheckIn("asked", 13, applied: 4));
        await worker.DeliverAsync(Cancelled);
        JsonObject task = Assert.Single(await worker.SearchAsync("Task", Cancelled));
        await NotifyAsync(worker, "Task", task["id"]!.GetValue<string>());
        JsonObject request = (await worker.SearchAsync("CommunicationRequest", Cancelled))[0];
        await NotifyAsync(worker, "CommunicationRequest", request["id"]!.GetValue<string>());

        JsonObject swelling = _days.Swelling("asked", 13);
        await worker.TakeInAsync(Cancelled, swelling);
        await worker.DeliverAsync(Cancelled);
        Assert.Single(await worker.SearchAsync("Flag", Cancelled));
        await ForgetAttemptAsync(worker);

        await worker.TakeInAsync(Cancelled, swelling.With(o =>
        {
            o["status"] = "entered-in-error";
            o["meta"] = new JsonObject { ["versionId"] = "2", ["lastUpdated"] = clock.GetUtcNow().ToString("yyyy-MM-ddTHH:mm:ssZ") };
        }));
        await worker.DeliverAsync(Cancelled);
        Assert.Equal("inactive", Assert.Single(await worker.SearchAsync("Flag", Cancelled))["status"]!.GetValue<string>());
    }

    /// <summary>As if the process had been killed after the server had taken everything, and before the database knew.</summary>
    private static async Task ForgetAttemptAsync(EmbeddedWorker worker)
    {
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        await database.SentResources.ExecuteDeleteAsync(Cancelled);
        await database.Outbox.Where(o => o.Kind == CommunicationKind.SafetyReferral).ExecuteUpdateAsync(set => set.SetProperty(o => o.State, OutboxState.Pending), Cancelled);
    }

    private static Task NotifyAsync(EmbeddedWorker worker, string type, string id) =>
        worker.TakeInAsync(Cancelled, JsonNode.Parse(References.Notification(type, id))!.AsObject());

    /// <summary>Each SHALL of the statement, in the recorder's words.</summary>
    private static IEnumerable<string> Demanded()
    {
        JsonNode statement = JsonNode.Parse(File.ReadAllText(Repository.File("contracts", "fhir", "CapabilityStatement-titration-fhir-server.json")))!;
        IEnumerable<string> demanded =
            from resource in statement["rest"]![0]!["resource"]!.AsArray()
            from interaction in resource["interaction"]!.AsArray()
            where interaction["extension"]!.AsArray().Any(e => e!["url"]!.GetValue<string>() == Expectation && e["valueCode"]!.GetValue<string>() == "SHALL")
            select $"{resource["type"]} {interaction["code"]}" + interaction["code"]!.GetValue<string>() switch
            {
                "create" => resource["conditionalCreate"]?.GetValue<bool>() == true && HasIdentifier(resource) ? " if none has the identifier" : "",
                "update" => resource["versioning"]?.GetValue<string>() == "versioned-update" ? " of a version"
                    : resource["updateCreate"]?.GetValue<bool>() == true ? " or create" : "",
                _ => "",
            };
        return demanded.Order(StringComparer.Ordinal);
    }

    private static bool HasIdentifier(JsonNode resource) => resource["searchParam"]!.AsArray().Any(p => p!["name"]!.GetValue<string>() == "identifier");

    /// <summary>Listens to what HttpClient tells of each request, headers included.</summary>
    private sealed class Recorder : IObserver<DiagnosticListener>, IObserver<KeyValuePair<string, object?>>, IDisposable
    {
        private readonly ConcurrentDictionary<string, byte> _asked = new(StringComparer.Ordinal);
        private readonly ConcurrentBag<IDisposable> _subscriptions = [];
        private Uri? _server;

        public Recorder() => _subscriptions.Add(DiagnosticListener.AllListeners.Subscribe(this));

        public IEnumerable<string> Asked => _asked.Keys;

        public void Only(Uri server) => _server = server;

        public void OnNext(DiagnosticListener value)
        {
            if (value.Name == "HttpHandlerDiagnosticListener")
            {
                _subscriptions.Add(value.Subscribe(this));
            }
        }

        public void OnNext(KeyValuePair<string, object?> value)
        {
            // The test's own client says nothing of what it accepts. Its statement every FHIR server has to show.
            if (value.Key == "System.Net.Http.HttpRequestOut.Start"
                && value.Value!.GetType().GetProperty("Request")!.GetValue(value.Value) is HttpRequestMessage { RequestUri: { } uri } request
                && uri.Authority == _server?.Authority && request.Headers.Accept.Count > 0
                && !uri.AbsolutePath.EndsWith("/metadata", StringComparison.Ordinal))
            {
                _asked.TryAdd(Words(request, uri.AbsolutePath.Split('/', StringSplitOptions.RemoveEmptyEntries)), 0);
            }
        }

        public void OnCompleted()
        {
        }

        public void OnError(Exception error)
        {
        }

        public void Dispose()
        {
            foreach (IDisposable subscription in _subscriptions)
            {
                subscription.Dispose();
            }
        }

        // fhir/Type or fhir/Type/id
        private static string Words(HttpRequestMessage request, string[] path) => (request.Method.Method, path.Length) switch
        {
            ("GET", 3) => $"{path[1]} read",
            ("GET", 2) => $"{path[1]} search-type",
            ("POST", 2) => $"{path[1]} create{(request.Headers.TryGetValues("If-None-Exist", out IEnumerable<string>? query) && query.Single().StartsWith("identifier=", StringComparison.Ordinal) ? " if none has the identifier" : "")}",
            ("PUT", 3) => $"{path[1]} update{(request.Headers.IfMatch.Count > 0 ? " of a version" : " or create")}",
            _ => $"{request.Method} {request.RequestUri}",
        };
    }
}
