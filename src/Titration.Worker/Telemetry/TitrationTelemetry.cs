using System.Collections.Frozen;
using System.Diagnostics;
using System.Diagnostics.Metrics;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Worker.Telemetry;

/// <summary>Everything the service measures and traces, under names that docs/telemetry.md lists. No names, ids or values of patients.</summary>
public sealed class TitrationTelemetry : IDisposable
{
    /// <summary>Name of the activity source and of the meter.</summary>
    public const string Name = "Titration";

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

    public TitrationTelemetry()
    {
        _inbound = _meter.CreateCounter<long>("titration.inbound.resources", "{resource}", "Resources received, by type and what became of them");
        _evaluations = _meter.CreateCounter<long>("titration.evaluations", "{evaluation}", "Evaluations, by outcome and deciding rule");
        _decisionLatency = _meter.CreateHistogram<double>("titration.decision.duration", "s", "From receipt to the committed decision");
        _sent = _meter.CreateCounter<long>("titration.outbox.entries", "{entry}", "Outbox entries, by action and what became of them");
        _access = _meter.CreateCounter<long>("titration.fhir.access.failures", "{request}", "Requests to the FHIR server without a token that it accepts, by what was wrong");
        _overdue = _meter.CreateCounter<long>("titration.tasks.overdue", "{task}", "Tasks that nobody answered and that went to the clinic's pool, by priority");
    }

    public Activity? Start(string name, ActivityKind kind = ActivityKind.Internal, string? traceParent = null) =>
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

    public void Dispose()
    {
        _activities.Dispose();
        _meter.Dispose();
    }

    internal static string OutcomeOf(Evaluation evaluation) => evaluation.Outcome?.Code() ?? "none";

    internal static string RuleOf(Evaluation evaluation) => evaluation.Reasons.IsEmpty ? "none" : evaluation.Reasons[0].Rule;
}
