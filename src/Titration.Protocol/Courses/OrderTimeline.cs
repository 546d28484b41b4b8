using System.Collections.Immutable;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>
/// What the prescriptions of one course say over time: the steps, the pauses, and where things stand. A later order continues the
/// course; an equal repeat changes nothing; an order that cannot be adopted leaves the last step in force.
/// </summary>
internal sealed class OrderTimeline
{
    private readonly List<StepSegment> _segments = [];
    private readonly List<Pause> _pauses = [];
    private readonly DoseLimits _limits;
    private readonly AsOf _asOf;
    private readonly int _holdNightsKeepingStep;
    private readonly Approval _approval;

    private OrderTimeline(ProtocolDefinition protocol, AsOf asOf)
    {
        _limits = protocol.Dose;
        _holdNightsKeepingStep = protocol.Gaps.HoldNightsKeepingStep;
        _asOf = asOf;
        _approval = protocol.Approval;
    }

    /// <summary>In time order; the last may begin after <c>asOf</c>.</summary>
    public ImmutableArray<StepSegment> Segments { get; private set; } = [];

    public ImmutableArray<Pause> Pauses { get; private set; } = [];

    public OrderState State { get; private set; } = OrderState.NotBegun;

    /// <summary>The order that speaks last: the one in force or on hold, or the last one there was.</summary>
    public PrescriptionFact? Order { get; private set; }

    /// <summary>Local date of the end; null while the course goes on.</summary>
    public DateOnly? EndedOn { get; private set; }

    /// <summary>When the orders last ceased to be in force: put on hold or ended.</summary>
    public DateTimeOffset? CeasedAt { get; private set; }

    /// <summary>Orders in force now whose dosage cannot be taken as a step, or is over the face maximum.</summary>
    public ImmutableArray<PrescriptionFact> NotAdopted { get; private set; } = [];

    /// <summary>Instants after <c>asOf</c> at which an order already known will speak.</summary>
    public DateTimeOffset? NextOrderAt { get; private set; }

    /// <param name="orders">The versions of each order.</param>
    /// <param name="approved">Approved proposals of the course.</param>
    public static OrderTimeline Of(
        List<ImmutableArray<PrescriptionFact>> orders, List<AnswerFact> approved, ProtocolDefinition protocol, AsOf asOf)
    {
        OrderTimeline timeline = new(protocol, asOf);
        List<OrderEvent> events = [];
        for (int order = 0; order < orders.Count; order++)
        {
            AddEvents(events, order, orders[order], asOf.Zone);
        }

        foreach (AnswerFact answer in approved)
        {
            events.Add(new OrderEvent(answer.At, events.Count, orders.Count, Version: null, FirstVersion: false, answer.Proposed));
        }

        // Orders come sorted by id: those of equal instants stay so, and the order of arrival cannot matter.
        events.Sort((a, b) => a.At != b.At ? a.At.CompareTo(b.At) : a.Position.CompareTo(b.Position));
        PrescriptionFact?[] states = new PrescriptionFact?[orders.Count];
        foreach (OrderEvent e in events)
        {
            if (e.At > asOf.Instant)
            {
                timeline.NextOrderAt = e.At;
                break;
            }

            if (e.Version is null)
            {
                timeline.Approve(e);
                continue;
            }

            states[e.Order] = e.Version;
            timeline.Apply(states, e);
        }

        timeline.Segments = [.. timeline._segments];
        timeline.Pauses = [.. timeline._pauses];
        timeline.NotAdopted = timeline.NotAdoptedOf(states);
        return timeline;
    }

    /// <summary>
    /// A version counts from the order's date (the first one) or from when it was recorded. One that is known only as on hold or
    /// ended was in force before that: its date of recording is when that ceased.
    /// </summary>
    private static void AddEvents(List<OrderEvent> events, int order, ImmutableArray<PrescriptionFact> versions, TimeZoneInfo zone)
    {
        DateTimeOffset at = versions[0].AuthoredOn.StartIn(zone);
        for (int i = 0; i < versions.Length; i++)
        {
            PrescriptionFact version = versions[i];
            DateTimeOffset recorded = version.Source.LastUpdated ?? at;
            if (i == 0 && version.Status is PrescriptionStatus.OnHold or PrescriptionStatus.Ended && recorded > at)
            {
                events.Add(new OrderEvent(at, events.Count, order, version with { Status = PrescriptionStatus.Active }, FirstVersion: true));
            }

            bool first = i == 0 && version.Status == PrescriptionStatus.Active;
            at = first ? at : recorded > at ? recorded : at;
            events.Add(new OrderEvent(at, events.Count, order, version, first));
        }
    }

    private void Apply(PrescriptionFact?[] states, OrderEvent e)
    {
        PrescriptionFact? latest = Latest(states, adoptable: false);
        if (latest is null)
        {
            if (State is OrderState.InForce or OrderState.OnHold)
            {
                BeginPause(e.At);
                State = OrderState.Ended;
                EndedOn = ClinicZone.DateOf(e.At, _asOf.Zone);
            }

            return;
        }

        Order = latest;
        EndedOn = null;
        if (latest.Status == PrescriptionStatus.OnHold)
        {
            BeginPause(e.At);
            State = OrderState.OnHold;
            return;
        }

        PrescriptionFact? adopted = Latest(states, adoptable: true);
        if (adopted is { Status: PrescriptionStatus.Active })
        {
            Adopt(adopted, e);
        }
        else
        {
            EndPause(ClinicZone.DateOf(e.At, _asOf.Zone));
        }

        State = OrderState.InForce;
    }

    private PrescriptionFact? Latest(PrescriptionFact?[] states, bool adoptable)
    {
        PrescriptionFact? latest = null;
        foreach (PrescriptionFact? state in states)
        {
            if (state is { Status: PrescriptionStatus.Active or PrescriptionStatus.OnHold } && (!adoptable || CanAdopt(state))
                && (latest is null || state.AuthoredOn.StartIn(_asOf.Zone) >= latest.AuthoredOn.StartIn(_asOf.Zone)))
            {
                latest = state;
            }
        }

        return latest;
    }

    private ImmutableArray<PrescriptionFact> NotAdoptedOf(PrescriptionFact?[] states)
    {
        ImmutableArray<PrescriptionFact> notAdopted = [];
        foreach (PrescriptionFact? state in states)
        {
            if (state is { Status: PrescriptionStatus.Active } && !CanAdopt(state))
            {
                notAdopted = notAdopted.Add(state);
            }
        }

        return notAdopted;
    }

    private bool CanAdopt(PrescriptionFact order) =>
        order.Doubts.IsEmpty && !order.Phases.IsEmpty && order.Product.StrengthPercent is not null && !IsOverMaximum(order);

    /// <summary>More than the face maximum per application: asked about, never adopted silently.</summary>
    public bool IsOverMaximum(PrescriptionFact order) =>
        order.Area == Areas.Face && order.Phases.Any(p => p.GramsPerApplication > _limits.FaceMaximumGrams);

    private void Adopt(PrescriptionFact order, OrderEvent e)
    {
        // An order counts from its own date; a changed version of it, or an older order that speaks again, from when that happened.
        DateOnly authored = order.AuthoredOn.DateIn(_asOf.Zone);
        DateOnly happened = e.FirstVersion && ReferenceEquals(order, e.Version) ? authored : ClinicZone.DateOf(e.At, _asOf.Zone);
        DateOnly from = happened > authored ? happened : authored;
        bool pausedLong = PausedNights(from) > _holdNightsKeepingStep;
        bool first = true;
        for (int i = 0; i < order.Phases.Length; i++)
        {
            DosagePhase phase = order.Phases[i];
            DateOnly since = Later(from, phase.Start?.DateIn(_asOf.Zone));
            if (i + 1 < order.Phases.Length && order.Phases[i + 1].Start is { } next && next.DateIn(_asOf.Zone) <= from)
            {
                continue;
            }

            Step step = new(order.Product.StrengthPercent!.Value, phase.Frequency, phase.GramsPerApplication, Barrier: _segments.Count > 0 && _segments[^1].Step.Barrier);
            if (first)
            {
                EndPause(since);
                Push(new StepSegment(step, since, e.At, NewDosage: true, order), pausedLong);
                first = false;
            }
            else
            {
                Push(new StepSegment(step, since, e.At, NewDosage: true, order), anew: false);
            }
        }
    }

    private void Push(StepSegment segment, bool anew)
    {
        while (_segments.Count > 0 && _segments[^1].Since >= segment.Since && !_segments[^1].Step.SameDosage(segment.Step))
        {
            _segments.RemoveAt(_segments.Count - 1);
        }

        if (_segments.Count == 0 || !_segments[^1].Step.SameDosage(segment.Step))
        {
            _segments.Add(segment);
        }
        else if (anew)
        {
            _segments.Add(segment with { NewDosage = false });
        }
        else
        {
            _segments[^1] = _segments[^1] with { Order = segment.Order };
        }
    }

    /// <summary>
    /// An approval that no order shows: of the same dosage (barrier support, or starting again at it), or of any where the clinic lets the Task
    /// alone decide. It begins the step anew.
    /// </summary>
    private void Approve(OrderEvent e)
    {
        if (State != OrderState.InForce || _segments.Count == 0 || e.Approved is not { } step
            || (_approval == Approval.Prescription && !_segments[^1].Step.SameDosage(step)))
        {
            return;
        }

        DateOnly since = ClinicZone.DateOf(e.At, _asOf.Zone);
        PrescriptionFact order = _segments[^1].Order;
        while (_segments.Count > 0 && _segments[^1].Since >= since)
        {
            _segments.RemoveAt(_segments.Count - 1);
        }

        _segments.Add(new StepSegment(step, since, e.At, NewDosage: true, order));
    }

    private int PausedNights(DateOnly until) =>
        _pauses.Count > 0 && _pauses[^1].Until is null ? until.DayNumber - _pauses[^1].From.DayNumber : 0;

    private void BeginPause(DateTimeOffset at)
    {
        if (_pauses.Count > 0 && _pauses[^1].Until is null)
        {
            return;
        }

        CeasedAt = at;
        DateOnly from = ClinicZone.DateOf(at, _asOf.Zone);
        if (_pauses.Count > 0 && _pauses[^1].Until > from)
        {
            // The order that was to end the pause later on has gone before it did.
            _pauses[^1] = _pauses[^1] with { Until = null };
        }
        else
        {
            _pauses.Add(new Pause(from, Until: null));
        }
    }

    private void EndPause(DateOnly until)
    {
        if (_pauses.Count > 0 && _pauses[^1].Until is null)
        {
            _pauses[^1] = _pauses[^1] with { Until = until > _pauses[^1].From ? until : _pauses[^1].From };
        }
    }

    private static DateOnly Later(DateOnly a, DateOnly? b) => b is { } other && other > a ? other : a;

    private readonly record struct OrderEvent(DateTimeOffset At, int Position, int Order, PrescriptionFact? Version, bool FirstVersion, Step? Approved = null);
}
