using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>What an auditor can follow: from the producer's message to the FHIR server, and from a decision back to what brought its facts.</summary>
public sealed class TraceTests : IDisposable
{
    private const string Trace = "4bf92f3577b34da6a3ce929d0e0e4736";

    private readonly ClinicDays _days = ClinicDays.LongAgo();
    private readonly string _folder = Directory.CreateTempSubdirectory("titration-trace-").FullName;

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public void Dispose() => Directory.Delete(_folder, recursive: true);

    [Fact]
    public async Task One_observation_is_one_trace_to_the_FHIR_server_and_three_records_agree_on_why()
    {
        await using OtlpReceiver telemetry = await OtlpReceiver.StartAsync(Cancelled);
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using TitrationProcess service = await StartAsync(parts, telemetry);
        await parts.KnowPatientsAsync(Cancelled, "p1");
        await parts.Broker.PublishAsync(Cancelled, _days.Order("p1"));
        await Eventually.HoldsAsync("the course is known", async () => (await WorkerState.OutcomesAsync(parts, Cancelled)).Count == 1, Cancelled);

        await PublishAsync(parts, _days.Swelling("p1", 3));
        JsonObject referral = await Eventually.BecomesAsync(
            "a referral",
            async () => (await parts.Peer.SearchAsync("CommunicationRequest", Cancelled)).FirstOrDefault(c => c["category"]![0]!["coding"]![0]!["code"]!.GetValue<string>() == "alert"),
            c => c is not null, Cancelled) ?? throw new InvalidOperationException();
        string id = referral["groupIdentifier"]!["value"]!.GetValue<string>();
        await Eventually.HoldsAsync("the whole trace", () => Task.FromResult(OfTrace(telemetry).Any(s => s.Name.StartsWith("deliver", StringComparison.Ordinal))
            && OfTrace(telemetry).Any(s => s.Attributes.GetValueOrDefault("url.template") == "/fhir/Task")), Cancelled);

        // From the FHIR call back to the producer's span, each the child of the next.
        IReadOnlyList<OtlpSpan> spans = OfTrace(telemetry);
        OtlpSpan call = spans.First(s => s.Attributes.GetValueOrDefault("url.template") == "/fhir/CommunicationRequest");
        string[] path = [.. Ancestors(call, spans).Select(s => s.Name)];
        Assert.Equal(["deliver issue", "decide", "evaluate", "process titration.inbound"], path[^4..]);
        Assert.Equal("00f067aa0ba902b7", Ancestors(call, spans).Last().ParentId);

        // Why, by the decision's id: telemetry, ledger and FHIR server.
        OtlpSpan decide = Assert.Single(spans, s => s.Attributes.GetValueOrDefault("titration.decision.id") == id && s.Name == "decide");
        await using TitrationDbContext database = parts.Open();
        DecisionContentRow ledger = await database.DecisionContents.SingleAsync(d => d.DecisionId == Guid.Parse(id), Cancelled);
        JsonObject provenance = await Eventually.BecomesAsync(
            "its Provenance",
            async () => (await parts.Peer.SearchAsync("Provenance", Cancelled)).SingleOrDefault(
                p => p["entity"]!.AsArray().Any(e => e!["what"]!["identifier"]?["value"]?.GetValue<string>() == id) && Targets(p).Contains($"CommunicationRequest/{referral["id"]}", StringComparer.Ordinal)),
            p => p is not null, Cancelled) ?? throw new InvalidOperationException();
        Assert.Equal(
            ("stop-finding", "stop-finding", "stop-finding"),
            (decide.Attributes["titration.rule"], ledger.Rule, referral["reasonCode"]![0]!["coding"]![0]!["code"]!.GetValue<string>()));
        Assert.Contains("rule stop-finding", provenance["text"]!["div"]!.GetValue<string>(), StringComparison.Ordinal);
        Assert.Contains(provenance["entity"]!.AsArray(), e => e!["what"]!["identifier"]?["value"]?.GetValue<string>() == $"sha256:{ledger.InputDigest}");
        Assert.Equal(("Discontinue", "Discontinue"), (decide.Attributes["titration.outcome"], ledger.Outcome!.Value.ToString()));
    }

    [Fact]
    public async Task Why_was_this_patient_moved_to_nightly_on_that_date_is_answered_alike_by_telemetry_ledger_and_FHIR_server()
    {
        ClinicDays days = ClinicDays.DaysAgo(15);
        await using OtlpReceiver telemetry = await OtlpReceiver.StartAsync(Cancelled);
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using TitrationProcess service = await StartAsync(parts, telemetry);
        await parts.KnowPatientsAsync(Cancelled, "p1");
        await parts.Broker.PublishAsync(Cancelled, days.Order("p1"), days.CheckIn("p1", 6, applied: 3), days.CheckIn("p1", 14, applied: 4));
        JsonObject? task = await Eventually.BecomesAsync(
            "a proposal", async () => (await parts.Peer.SearchAsync("Task", Cancelled)).FirstOrDefault(ClinicianAnswer.IsProposal), t => t is not null, Cancelled);
        DateTimeOffset now = TimeProvider.System.GetUtcNow();
        await parts.Peer.PutAsync(ClinicianAnswer.Complete(task!, "approved", now), Cancelled);
        await parts.Broker.PublishAsync(
            Cancelled, (await parts.Peer.SearchAsync("Task", Cancelled)).First(ClinicianAnswer.IsProposal),
            FhirJson.MedicationRequest(id: "rx-p1-nightly", patient: "p1", authoredOn: now.ToString("yyyy-MM-ddTHH:mm:ssZ"), period: 1, prior: "rx-p1"));

        // The ledger, asked by patient: which step began, on which date, and by which decision.
        JsonObject step = await Eventually.BecomesAsync(
            "the nightly step", async () => (await ShowAsync(parts, "p1"))["steps"]!.AsArray().Select(s => s!.AsObject()).FirstOrDefault(s => s["nightsPerWeek"]!.GetValue<decimal>() == 7m),
            s => s?["proposedBy"] is not null, Cancelled) ?? throw new InvalidOperationException();
        string id = step["proposedBy"]!.GetValue<string>();
        JsonObject shown = await ShowAsync(parts, id);
        JsonObject decision = Assert.Single(shown["decisions"]!.AsArray())!.AsObject();
        JsonObject onThatDate = await ShowAsync(parts, "p1", "--date", step["since"]!.GetValue<string>());
        Assert.Contains(onThatDate["steps"]!.AsArray(), s => s!["proposedBy"]?.GetValue<string>() == id);

        // The same by the decision's id.
        await Eventually.HoldsAsync("its span", () => Task.FromResult(telemetry.Spans().Any(s => s.Attributes.GetValueOrDefault("titration.decision.id") == id && s.Name == "decide")), Cancelled);
        OtlpSpan decide = telemetry.Spans().First(s => s.Attributes.GetValueOrDefault("titration.decision.id") == id && s.Name == "decide");
        JsonObject message = Assert.Single(
            await parts.Peer.SearchAsync("CommunicationRequest", Cancelled),
            c => c["groupIdentifier"]!["value"]!.GetValue<string>() == id && c["category"]![0]!["coding"]![0]!["code"]!.GetValue<string>() == "instruction");
        Assert.Equal(("StepUp", "StepUp"), (decision["outcome"]!.GetValue<string>(), decide.Attributes["titration.outcome"]));
        Assert.Equal(
            [decide.Attributes["titration.rule"], decide.Attributes["titration.rule"]],
            [decision["rule"]!.GetValue<string>(), message["reasonCode"]![0]!["coding"]![0]!["code"]!.GetValue<string>()]);
        Assert.Equal("MedicationRequest/rx-p1-nightly", step["order"]!.GetValue<string>().Split("/_history")[0]);

        // And both name the check-in that it rests on.
        Assert.Contains("Observation/check-p1-14", decision["reasons"]!.ToJsonString(), StringComparison.Ordinal);
        Assert.Contains("Observation/check-p1-14", message["reasonReference"]!.ToJsonString(), StringComparison.Ordinal);
    }

    [Fact]
    public async Task A_look_that_time_asked_for_is_linked_to_the_traces_that_brought_its_facts()
    {
        await using OtlpReceiver telemetry = await OtlpReceiver.StartAsync(Cancelled);
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using (TitrationProcess service = await StartAsync(parts, telemetry))
        {
            await PublishAsync(parts, _days.Order("p1"));
            await Eventually.HoldsAsync("the course is known", async () => (await WorkerState.OutcomesAsync(parts, Cancelled)).Count == 1, Cancelled);
            await using TitrationDbContext database = parts.Open();
            await database.Patients.ExecuteUpdateAsync(set => set.SetProperty(p => p.NextLook, _days.At(0)), Cancelled);
            await Eventually.HoldsAsync(
                "a linked look", () => Task.FromResult(telemetry.Spans().Any(s => s.Name == "evaluate" && s.Links.Any(l => l.TraceId == Trace))), Cancelled);
        }

        Assert.Contains(telemetry.Spans(), s => s.Name == "evaluate" && s.TraceId != Trace && s.Links.Any(l => l.TraceId == Trace));
    }

    private async Task<JsonObject> ShowAsync(Surroundings parts, params string[] question)
    {
        Dictionary<string, string> environment = parts.Settings();
        CommandOutput shown = await TitrationProcess.RunAsync(_folder, input: null, environment, ["course", "show", .. question, "--json"], Cancelled);
        Assert.True(shown.ExitCode == 0, shown.Errors);
        return JsonNode.Parse(shown.Output)!.AsArray()[0]!.AsObject();
    }

    private async Task<TitrationProcess> StartAsync(Surroundings parts, OtlpReceiver telemetry)
    {
        Dictionary<string, string> environment = new(telemetry.Environment, StringComparer.Ordinal);
        foreach ((string name, string value) in parts.Settings())
        {
            environment[name] = value;
        }

        TitrationProcess service = TitrationProcess.Start(_folder, environment, "run");
        await service.LineAsync("health", Cancelled);
        return service;
    }

    private static Task PublishAsync(Surroundings parts, JsonObject resource) => parts.Broker.PublishAsync(
        resource["resourceType"]!.GetValue<string>(), resource.ToUtf8(), "application/fhir+json",
        new Dictionary<string, string>(StringComparer.Ordinal) { ["traceparent"] = $"00-{Trace}-00f067aa0ba902b7-01" }, Cancelled);

    private static IReadOnlyList<OtlpSpan> OfTrace(OtlpReceiver telemetry) => [.. telemetry.Spans().Where(s => s.TraceId == Trace)];

    private static IEnumerable<OtlpSpan> Ancestors(OtlpSpan span, IReadOnlyList<OtlpSpan> spans)
    {
        for (OtlpSpan? parent = spans.FirstOrDefault(s => s.SpanId == span.ParentId); parent is not null; parent = spans.FirstOrDefault(s => s.SpanId == parent.ParentId))
        {
            yield return parent;
        }
    }

    private static IEnumerable<string> Targets(JsonObject provenance) => provenance["target"]!.AsArray().Select(t => t!["reference"]!.GetValue<string>());
}
