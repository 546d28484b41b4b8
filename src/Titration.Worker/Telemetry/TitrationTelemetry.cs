using System.Collections.Frozen;
using System.Diagnostics;
using System.Diagnostics.Metrics;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using Titration.Worker.Hosting;

namespace Titration.Worker.Telemetry;

/// <summary>Everything the service measures and traces, under names that docs/telemetry.md lists. No names, ids or values of patients.</summary>
public sealed class TitrationTelemetry : IDisposable
{
    /// <summary>Name of the activity source and of the meter.</summary>
    public const string Name = "Titration";

    /// <summary>A course has many facts; an auditor starts with the newest.</summary>
    private const int MostLinks = 16;

    private static readonly FrozenSet<string> Types =
        FrozenSet.Create(StringComparer.Ordinal, "MedicationRequest", "Observation", "Task", "Patient", "Medication", "CommunicationRequest", "unknown");

    private readonly ActivitySource _activities = new(Name);
    private readonly Meter _meter = new(Name);
    private readonly Counter<long> _inbound;
    private readonly Counter<long> _evaluations;
    private readonly Histogram<double> _decisionLatency;
    private readonly Counter<long> _sent;
    private readonly Counter<long> _access;
    private readonly Counter<long> _overdue;
    private readonly Counter<long> _removed;
    private volatile Depths? _depths;

    public TitrationTelemetry()
    {
        _inbound = _meter.CreateCounter<long>("titration.inbound.resources", "{resource}", "Resources received, by type and what became of them");
        _evaluations = _meter.CreateCounter<long>("titration.evaluations", "{evaluation}", "Evaluations, by outcome and deciding rule");
        _decisionLatency = _meter.CreateHistogram<double>("titration.decision.duration", "s", "From receipt to the committed decision");
        _sent = _meter.CreateCounter<long>("titration.outbox.entries", "{entry}", "Outbox entries, by action and what became of them");
        _access = _meter.CreateCounter<long>("titration.fhir.access.failures", "{request}", "Requests to the FHIR server without a token that it accepts, by what was wrong");
        _overdue = _meter.CreateCounter<long>("titration.tasks.overdue", "{task}", "Tasks that nobody answered and that went to the clinic's pool, by priority");
        _removed = _meter.CreateCounter<long>("titration.quarantine.removed", "{message}", "Messages removed from quarantine because they were kept long enough");
        Gauge("titration.quarantine.held", "{message}", "Messages in quarantine", d => d.Held);
        Gauge("titration.outbox.unsent", "{entry}", "Outbox entries that have not left", d => d.Outbox.Unsent);
        Gauge("titration.outbox.dead", "{entry}", "Outbox entries that a person must look at", d => d.Outbox.Dead);
        Gauge("titration.outbox.oldest.age", "s", "Age of the oldest outbox entry that could have left", d => d.Outbox.OldestUnsent is { } oldest ? (d.At - oldest).TotalSeconds : 0);
        Gauge("titration.outbox.stat.unconfirmed", "{entry}", "Emergency messages that have not left 5 minutes after they were decided", d => d.UnconfirmedStat);
        Gauge("titration.courses.due", "{patient}", "Patients whose next look has come", d => d.Due);
        Gauge("titration.ledger.unexported.age", "s", "Age of the oldest checkpoint of the ledger that is not in its folder", d => d.UnexportedSince is { } since && since < d.At ? (d.At - since).TotalSeconds : 0);
        _meter.CreateObservableGauge("titration.courses", CoursesNow, "{course}", "Courses, by outcome and step in force");
    }

    /// <summary>A message being taken in, by OpenTelemetry's conventions for messaging; in the producer's trace where it sent one.</summary>
    /// <param name="source"><c>queue</c>, <c>http</c>, <c>waiting</c> or <c>retry</c>.</param>
    /// <param name="bytes">Length of the body.</param>
    /// <param name="traceParent">The producer's.</param>
    public Activity? Receive(string source, int bytes, string? traceParent)
    {
        Activity? activity = Start($"process {Messaging.Queue}", ActivityKind.Consumer, traceParent);
        if (source == "queue")
        {
            activity?.SetTag("messaging.system", "rabbitmq");
        }

        return activity?.SetTag("messaging.operation.name", "process").SetTag("messaging.operation.type", "process")
            .SetTag("messaging.destination.name", Messaging.Queue).SetTag("messaging.message.body.size", bytes).SetTag("titration.source", source);
    }

    /// <summary>A look at a patient.</summary>
    /// <param name="patient">The keyed hash that stands for the patient; null where the clinic has no key.</param>
    /// <param name="traceParent">Of the message that asked for it; null: time did, and the span is linked to the traces that brought the facts.</param>
    /// <param name="broughtBy">Those traces, newest first.</param>
    public Activity? Evaluate(string? patient, string? traceParent, IEnumerable<string> broughtBy) =>
        _activities.HasListeners() ? StartEvaluate(traceParent, broughtBy)?.SetTag("titration.patient.hash", patient) : null;

    private Activity? StartEvaluate(string? traceParent, IEnumerable<string> broughtBy)
    {
        if (traceParent is not null)
        {
            return Start("evaluate", ActivityKind.Internal, traceParent);
        }

        List<ActivityLink> links = [];
        foreach (string brought in broughtBy.Distinct(StringComparer.Ordinal).Take(MostLinks))
        {
            if (ActivityContext.TryParse(brought, null, isRemote: true, out ActivityContext context))
            {
                links.Add(new ActivityLink(context));
            }
        }

        return _activities.StartActivity(ActivityKind.Internal, links: links, name: "evaluate");
    }

    /// <summary>What is decided of one course. The decision's id, where one is recorded, is the same in the ledger and on the FHIR server.</summary>
    public Activity? Decide(Evaluation evaluation, ClinicPolicy policy) => _activities.StartActivity("decide")?
        .SetTag("titration.outcome", OutcomeOf(evaluation)).SetTag("titration.rule", RuleOf(evaluation))
        .SetTag("titration.step", evaluation.Step is { } step ? StepText.Of(step.Step) : null)
        .SetTag("titration.protocol.version", policy.Protocol.Version).SetTag("titration.policy.hash", policy.Hash);

    /// <summary>An entry of the outbox on its way to the FHIR server, in the trace of its decision.</summary>
    public Activity? Deliver(OutboxRow entry) => Start($"deliver {entry.Action.Code()}", ActivityKind.Internal, entry.TraceParent)?
        .SetTag("titration.action", entry.Action.Code()).SetTag("titration.kind", entry.Kind.Code())
        .SetTag("titration.decision.id", entry.DecisionId.ToString()).SetTag("titration.attempt", entry.Attempts);

    private Activity? Start(string name, ActivityKind kind, string? traceParent) =>
        ActivityContext.TryParse(traceParent, null, isRemote: true, out ActivityContext parent)
            ? _activities.StartActivity(name, kind, parent)
            : _activities.StartActivity(name, kind);

    public void Inbound(string resourceType, string disposition) =>
        // Where it is none of the known types it is the sender's own text.
        _inbound.Add(1, new("titration.resource.type", Types.Contains(resourceType) ? resourceType : "other"), new("titration.disposition", disposition));

    public void Evaluated(Evaluation evaluation) =>
        _evaluations.Add(1, new("titration.outcome", OutcomeOf(evaluation)), new("titration.rule", RuleOf(evaluation)));

    public void Decided(TimeSpan latency) => _decisionLatency.Record(latency.TotalSeconds);

    public void Sent(string action, string result) => _sent.Add(1, new("titration.action", action), new("titration.result", result));

    /// <param name="result"><c>no-token</c>: none could be had; <c>rejected</c>: the server answered 401 to a new one as well.</param>
    public void Access(string result) => _access.Add(1, new KeyValuePair<string, object?>("titration.result", result));

    public void HandedOver(Priority priority) => _overdue.Add(1, new KeyValuePair<string, object?>("titration.priority", priority.Code()));

    public void RemovedFromQuarantine(int messages) => _removed.Add(messages);

    /// <summary>For tests that tell one instance's instruments from another's.</summary>
    internal Meter Meter => _meter;

    /// <summary>What the gauges show from now on. Before the first of these they show nothing.</summary>
    public void Report(Depths depths) => _depths = depths;

    /// <summary>The last of them; null: nobody has looked yet.</summary>
    public Depths? LastReported => _depths;

    public void Dispose()
    {
        _activities.Dispose();
        _meter.Dispose();
    }

    private void Gauge(string name, string unit, string description, Func<Depths, double> value) => _meter.CreateObservableGauge(
        name, () => _depths is { } depths ? [new Measurement<double>(value(depths))] : Array.Empty<Measurement<double>>(), unit, description);

    private IEnumerable<Measurement<int>> CoursesNow() => _depths?.Courses.Select(c => new Measurement<int>(
        c.Count, new("titration.outcome", c.Outcome?.Code() ?? "none"), new("titration.step", c.Step ?? "none"))) ?? [];

    internal static string OutcomeOf(Evaluation evaluation) => evaluation.Outcome?.Code() ?? "none";

    internal static string RuleOf(Evaluation evaluation) => evaluation.Reasons.IsEmpty ? "none" : evaluation.Reasons[0].Rule;
}
