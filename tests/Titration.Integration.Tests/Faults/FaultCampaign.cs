using System.Globalization;
using System.Net.Http.Json;
using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Npgsql;
using Titration.Fhir.Writing;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.TestHost;
using Titration.TestKit;

namespace Titration.Integration.Tests.Faults;

/// <summary>
/// Plays the load against two workers, each a process of its own, on a real broker, database and FHIR endpoint of their own, with or without faults. Simulated
/// time moves on only when all is quiet: everything taken in, nothing due, nothing unsent. What is decided then depends on no arrival and no delay.
/// </summary>
internal sealed class FaultCampaign : IAsyncDisposable
{
    /// <summary>How long it may take until all is quiet after the last fault of a phase.</summary>
    private static readonly TimeSpan Patience = TimeSpan.FromSeconds(90);

    private readonly Surroundings _parts;
    private readonly Injector _injector;
    private readonly WorkerPair _workers;
    private readonly FhirProxy _fhir;
    private readonly SharedClock _clock;
    private readonly IReadOnlyList<IAsyncDisposable> _owned;
    private readonly string _folder;
    private readonly HttpClient _http = new();
    private readonly HashSet<string> _refused = new(StringComparer.Ordinal);
    private readonly List<LoadFact> _sent = [];
    private readonly List<string> _patients = [];

    private FaultCampaign(
        Surroundings parts, Injector injector, WorkerPair workers, FhirProxy fhir, SharedClock clock, IReadOnlyList<IAsyncDisposable> owned, string folder)
    {
        (_parts, _injector, _workers, _fhir, _clock, _owned, _folder) = (parts, injector, workers, fhir, clock, owned, folder);
    }

    /// <summary>Months that were played.</summary>
    public int Months { get; private set; }

    /// <summary>Identifiers of the communications that were refused for good, and put back.</summary>
    public IReadOnlySet<string> Refused => _refused;

    /// <summary>Faults that have struck, by kind.</summary>
    public IReadOnlyDictionary<FaultKind, int> Injected => _injector.Injected;

    public string WorkersSaid => _workers.Output;

    public static async Task<FaultCampaign> StartAsync(CancellationToken cancellationToken)
    {
        string folder = Directory.CreateTempSubdirectory("titration-faults-").FullName;
        PrivateService[] services = await Task.WhenAll(
            PrivateService.StartAsync("rabbitmq", cancellationToken), PrivateService.StartAsync("postgres", cancellationToken), PrivateService.StartAsync("peer", cancellationToken));
        (PrivateService rabbit, PrivateService postgres, PrivateService peer) = (services[0], services[1], services[2]);
        Surroundings parts = await Surroundings.CreateAsync(
            cancellationToken, await Broker.CreateAsync(rabbit.RabbitMq.Server, rabbit.RabbitMq.Management, cancellationToken), postgres.Postgres, new Peer(peer.Fhir));
        TcpProxy broker = TcpProxy.To("127.0.0.1", rabbit.RabbitMq.Server.Port);
        TcpProxy database = TcpProxy.To("127.0.0.1", new NpgsqlConnectionStringBuilder(postgres.Postgres).Port);
        FhirProxy fhir = await FhirProxy.StartAsync(peer.Fhir, cancellationToken);
        DatabaseFaults databaseFaults = new(postgres.Postgres);
        await databaseFaults.PrepareAsync(cancellationToken);
        SharedClock clock = SharedClock.Create(Path.Combine(folder, "clock"), new ClinicLoad(0).Start);
        Dictionary<string, string> settings = parts.Settings();
        settings["Titration:Broker:Uri"] = new UriBuilder(parts.Broker.Address) { Port = broker.Port }.Uri.AbsoluteUri;
        settings["Titration:Database:ConnectionString"] = new NpgsqlConnectionStringBuilder(postgres.Postgres)
        {
            Port = database.Port,
            ApplicationName = DatabaseFaults.Workers,
            Timeout = 3,
            CommandTimeout = 5,
        }.ConnectionString;
        settings["Titration:FhirServer:BaseUrl"] = fhir.FhirBase.AbsoluteUri;
        settings["Titration:FhirServer:TimeoutSeconds"] = "1";
        WorkerPair workers = await WorkerPair.StartAsync(settings, ["titration-testhost", Path.Combine(folder, "clock")], cancellationToken);
        Injector injector = new(broker, database, fhir, databaseFaults, workers, rabbit, postgres);
        return new FaultCampaign(parts, injector, workers, fhir, clock, [broker, database, fhir, parts, .. services], folder);
    }

    /// <summary>Plays so many months, and further ones until every fault has struck.</summary>
    public async Task PlayAsync(int months, IReadOnlyList<InjectedFault> plan, int perPhase, CancellationToken cancellationToken)
    {
        Queue<InjectedFault> left = new(plan);
        while (Months < months || left.Count > 0 || await _injector.ArmedAsync(cancellationToken) > 0)
        {
            ClinicLoad load = new(Months++);
            _patients.AddRange(load.Patients);
            foreach (LoadRound round in load.Rounds())
            {
                _clock.MoveTo(round.At);
                await PhaseAsync($"{round.At:yyyy-MM-dd}: what falls due", [], left, perPhase, cancellationToken);
                IReadOnlyList<LoadMessage> messages = [.. round.Messages, .. await AnswersAsync(round, cancellationToken)];
                if (messages.Count > 0)
                {
                    await PhaseAsync($"{round.At:yyyy-MM-dd}: what arrives", messages, left, perPhase, cancellationToken);
                }
            }
        }
    }

    /// <summary>What stands on the server, asked past the proxy.</summary>
    public async Task<CampaignResult> ResultAsync(CancellationToken cancellationToken)
    {
        List<string> communications = [], others = [];
        foreach (string patient in _patients)
        {
            communications.AddRange((await SearchAsync("CommunicationRequest", patient, cancellationToken)).Select(SentCommunication.Of)
                .Select(c => $"{c.Identifier} {c.Patient} {c.Kind} {c.Rule} {c.Status} {c.Priority} {c.Recipient}"));
            foreach (string type in (string[])["Task", "DetectedIssue", "Flag"])
            {
                others.AddRange((await SearchAsync(type, patient, cancellationToken)).Select(r => $"{type} {r["identifier"]?[0]?["value"]} {r["status"]}"));
            }
        }

        return new CampaignResult(communications, others, _fhir.Journal.Where(w => w.Priority != "stat").GroupBy(w => w.Patient, StringComparer.Ordinal)
            .ToDictionary(g => g.Key, IReadOnlyList<string> (g) => [.. g.Select(w => $"{w.Identifier} {w.Status}")], StringComparer.Ordinal));
    }

    /// <summary>In the end nothing is left behind: no message on the queue, none where defects go, none that could not be read.</summary>
    public async Task<IReadOnlyList<string>> LeftBehindAsync(CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = _parts.Open();
        await Eventually.BecomesAsync("an empty queue", () => _parts.Broker.DepthAsync(Broker.Queue, cancellationToken), depth => depth == 0, cancellationToken);
        return
        [
            .. await _parts.Broker.DepthAsync(Broker.ErrorQueue, cancellationToken) is var errors and > 0 ? [$"{errors} in the error queue"] : (string[])[],
            .. (await database.Quarantine.Select(q => q.Reason + " " + q.Problem).ToListAsync(cancellationToken)).Select(q => $"quarantine: {q}"),
            .. (await database.Outbox.Where(o => o.State == OutboxState.Dropped).ToListAsync(cancellationToken)).Select(o => $"dropped: {o.Patient} {o.Kind} {o.Action}"),
        ];
    }

    public async ValueTask DisposeAsync()
    {
        await _workers.DisposeAsync();
        foreach (IAsyncDisposable owned in _owned)
        {
            await owned.DisposeAsync();
        }

        _clock.Dispose();
        _http.Dispose();
        Directory.Delete(_folder, recursive: true);
    }

    private async Task PhaseAsync(
        string phase, IReadOnlyList<LoadMessage> messages, Queue<InjectedFault> left, int perPhase, CancellationToken cancellationToken)
    {
        List<InjectedFault> faults = [];
        while (faults.Count < perPhase && left.TryDequeue(out InjectedFault? fault))
        {
            faults.Add(fault);
        }

        Task injecting = _injector.RunAsync(faults, cancellationToken);
        foreach (LoadMessage message in messages)
        {
            await SendAsync(message, cancellationToken);
        }

        await injecting;
        string missing = "";
        try
        {
            await Eventually.HoldsAsync(phase, async () => (missing = await UnquietAsync(cancellationToken)).Length == 0, cancellationToken, Patience);
        }
        catch (TimeoutException late)
        {
            throw new TimeoutException($"{phase}: never quiet: {missing}; faults: {string.Join(", ", faults.Select(f => f.Kind))}", late);
        }
    }

    /// <summary>As an interface engine does: until the broker has confirmed it.</summary>
    private async Task SendAsync(LoadMessage message, CancellationToken cancellationToken)
    {
        foreach (JsonObject stored in message.Stored)
        {
            await _parts.Peer.PutAsync(stored, cancellationToken);
        }

        await Eventually.HoldsAsync("the broker's confirmation", async () =>
        {
            await _parts.Broker.PublishAsync([(message.RoutingKey, System.Text.Json.JsonSerializer.SerializeToUtf8Bytes(message.Body))], cancellationToken);
            return true;
        }, cancellationToken);
        _sent.AddRange(message.Brings);
    }

    /// <summary>What is not quiet yet; empty: all is. What the server refused for good is put back, as somebody at the clinic would.</summary>
    private async Task<string> UnquietAsync(CancellationToken cancellationToken)
    {
        _workers.RequireAlive();
        await using TitrationDbContext database = _parts.Open();
        List<Guid> dead = await database.Outbox.Where(o => o.State == OutboxState.Dead).Select(o => o.CommunicationKey).ToListAsync(cancellationToken);
        if (dead.Count > 0)
        {
            _refused.UnionWith(dead.Select(k => OutgoingResource.UuidOf(k, OutgoingRole.CommunicationRequest).ToString()));
            await database.ReviveAllAsync(cancellationToken);
        }

        // What waits for the server waits by the simulated clock.
        if (await database.Waiting.MinAsync(w => w.NotBefore, cancellationToken) is { } again && again > _clock.GetUtcNow())
        {
            _clock.MoveTo(again);
        }

        string[] recent = [.. _patients.TakeLast(24)];
        List<LoadFact> known = await database.Facts.Where(f => recent.Contains(f.Patient))
            .Select(f => new LoadFact(f.ResourceType, f.ResourceId, f.VersionId)).ToListAsync(cancellationToken);
        _sent.RemoveAll(known.Contains);
        int waiting = await database.Waiting.CountAsync(cancellationToken), due = await database.CountDueAsync(_clock.GetUtcNow(), cancellationToken);
        int unsent = (await database.OutboxDepthAsync(cancellationToken)).Unsent;
        return _sent.Count + waiting + due + unsent == 0
            ? ""
            : $"not taken in: {string.Join(", ", _sent.Take(5))} ({_sent.Count}), waiting: {waiting}, due: {due}, unsent: {unsent}";
    }

    /// <summary>Clinicians answer the Tasks that stand on the server; they go past the proxy.</summary>
    private async Task<IReadOnlyList<LoadMessage>> AnswersAsync(LoadRound round, CancellationToken cancellationToken)
    {
        List<LoadMessage> answers = [];
        foreach ((string patient, string decision) in round.Answers)
        {
            foreach (JsonObject task in (await SearchAsync("Task", patient, cancellationToken)).Where(IsOpenApproval))
            {
                bool approved = decision == "approved";
                task["status"] = approved ? "completed" : "rejected";
                task["lastModified"] = round.At.ToString("yyyy-MM-ddTHH:mm:ssZ", CultureInfo.InvariantCulture);
                task[approved ? "output" : "statusReason"] = approved
                    ? new JsonArray(new JsonObject { ["type"] = Coded("task-io", "decision"), ["valueCodeableConcept"] = Coded("approval-decision", "approved") })
                    : Coded("decline-reason", "clinical-judgement");
                await _parts.Peer.PutAsync(task, cancellationToken);
                answers.Add(LoadMessage.Of((await _http.GetFromJsonAsync<JsonObject>(new Uri($"{_parts.Peer.FhirBase}/Task/{task["id"]}"), cancellationToken))!));
            }
        }

        return answers;
    }

    private static bool IsOpenApproval(JsonObject task) =>
        task["status"]!.GetValue<string>() == "requested" && task["code"]!["coding"]![0]!["code"]!.GetValue<string>() == "approve";

    private static JsonObject Coded(string system, string code) =>
        new() { ["coding"] = new JsonArray(new JsonObject { ["system"] = $"https://titration.example.org/fhir/CodeSystem/{system}", ["code"] = code }) };

    private async Task<IReadOnlyList<JsonObject>> SearchAsync(string type, string patient, CancellationToken cancellationToken)
    {
        string url = $"{_parts.Peer.FhirBase}/{type}?{(type == "CommunicationRequest" ? "subject" : "patient")}=Patient/{patient}&_count=500";
        JsonObject bundle = (await _http.GetFromJsonAsync<JsonObject>(new Uri(url), cancellationToken))!;
        return [.. bundle["entry"]?.AsArray().Select(e => e!["resource"]!.AsObject()) ?? []];
    }
}
