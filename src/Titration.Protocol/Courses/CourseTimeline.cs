using System.Collections.Immutable;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.Protocol.Supply;

namespace Titration.Protocol.Courses;

/// <summary>
/// Everything the rules look at of one course at one instant, folded from all its facts in clinical-time order. The rules are windows
/// over it.
/// </summary>
internal sealed class CourseTimeline
{
    private CourseTimeline(Course course, ProtocolDefinition protocol, AsOf asOf, OrderTimeline orders, CourseAnswers answers)
    {
        Course = course;
        Protocol = protocol;
        AsOf = asOf;
        Orders = orders;
        Answers = answers;
        Product = protocol.ProductOf(course.Ingredient)!;
    }

    public Course Course { get; }

    public ProtocolDefinition Protocol { get; }

    public AsOf AsOf { get; }

    public DateOnly Today => AsOf.Date;

    public TitratedProduct Product { get; }

    public OrderTimeline Orders { get; }

    /// <summary>First night of the course.</summary>
    public DateOnly Day0 { get; private init; }

    /// <summary>The step in force; null before the first night, or where no order could be adopted.</summary>
    public StepSegment? Segment { get; private set; }

    /// <summary>Grounds up to this instant are what the order in force answered.</summary>
    public DateTimeOffset AnsweredUntil { get; private set; }

    /// <summary>Check-in days of the course, oldest first.</summary>
    public ImmutableArray<DayReport> Days { get; private init; } = [];

    /// <summary>Index into <see cref="Days"/> of the first one on the step in force.</summary>
    public int FirstDayOnStep { get; private set; }

    public ImmutableArray<NightReport> NightReports { get; private init; } = [];

    /// <summary>Those that cover nights of the step in force.</summary>
    public ImmutableArray<NightReport> ReportsOnStep { get; private set; } = [];

    public ImmutableArray<ReportedFinding> Findings { get; private init; } = [];

    /// <summary>Orders of the patient's other products, whole histories.</summary>
    public ImmutableArray<OtherOrder> OtherOrders { get; private init; } = [];

    public ImmutableArray<EffectReport> Effects { get; private init; } = [];

    public ImmutableArray<PlannedProcedure> Procedures { get; private init; } = [];

    /// <summary>When clinicians said that the skin has recovered, oldest first.</summary>
    public ImmutableArray<DateTimeOffset> ClinicianRecovered { get; private init; } = [];

    /// <summary>The newest approval, where the proposal would not have been made any more when it was approved.</summary>
    public AnswerFact? ApprovedWithoutGrounds { get; set; }

    public PatientFact? Patient { get; private init; }

    public CourseAnswers Answers { get; }

    /// <summary>What each order let the patient have, oldest first.</summary>
    public ImmutableArray<OrderedSupply> Dispensed { get; private init; } = [];

    public ImmutableArray<ResourceVersion> Tied { get; private init; } = [];

    /// <summary>Whether the patient takes the cautious ladder now.</summary>
    public bool Cautious { get; private set; }

    public Ladder Ladder => Protocol.LadderFor(Cautious);

    /// <summary>The product's steps on the ladder that the patient takes now.</summary>
    public Regimen Regimen => field ??= new(Ladder, Product.StrengthsPercent, Protocol.StepUp.MaximumWeeklyDoseRatio);

    /// <summary>First night since which something withholds until a <c>Resume</c>; set once the causes are known.</summary>
    public DateOnly? WithheldSince { get; private set; }

    /// <summary>Applications reported on the step in force; set with the withheld nights.</summary>
    public Exposure OnStep { get; private set; }

    /// <summary>Nights that a cause withheld until a later order answered it; set once the causes are known. They are of steps before the one in force.</summary>
    public ImmutableArray<Pause> AnsweredStretches { get; set; } = [];

    /// <summary>How long the supply lasts; null where an order does not say how much it gives. Set once the withheld nights are known.</summary>
    public SupplyPosition? Supply { get; set; }

    public static CourseTimeline Of(
        Course course, List<ImmutableArray<PrescriptionFact>> orders, FactSelection facts, ProtocolDefinition protocol, AsOf asOf)
    {
        CourseAnswers answers = CourseAnswers.Of(course.Id, facts.Answers, asOf);
        OrderTimeline timeline = OrderTimeline.Of(orders, answers.Approved, protocol, asOf);
        DateOnly day0 = timeline.Segments.Length > 0 ? timeline.Segments[0].Since : orders.Min(o => o[0].AuthoredOn.DateIn(asOf.Zone));
        SpeaksTo speaksTo = SpeaksTo.Course(orders, facts.Prescriptions);
        ImmutableArray<Observed> mine = facts.Observations.RemoveAll(o => o.Date < day0 || !speaksTo.Includes(o.Fact));
        ImmutableArray<Observed> myRemarks = facts.Remarks.RemoveAll(o => o.Date < day0 || !speaksTo.Includes(o.Fact));
        CourseTimeline folded = new(course, protocol, asOf, timeline, answers)
        {
            Day0 = day0,
            Days = DayReport.Of(mine),
            NightReports = ReportedNights.Of(mine, day0, asOf.Zone),
            Findings = FindingHistory.Of(facts.Remarks, speaksTo.Includes, protocol),
            OtherOrders = OtherOrder.Of(course, facts.Prescriptions, protocol, asOf),
            Effects = EffectReport.Of(myRemarks),
            Procedures = PlannedProcedure.Of(facts.Remarks),
            ClinicianRecovered =
            [
                .. myRemarks.Where(o => o.Fact.PerformerKind == PerformerKind.Clinician && o.Fact.Statements.Any(s => s is Statement.Recovered { Yes: true })).Select(o => o.At),
            ],
            Patient = facts.Patient,
            Dispensed = OrderedSupply.Of(orders, asOf),
            Tied = facts.Tied,
        };
        folded.FindSegment();
        return folded;
    }

    /// <summary>When a clinician first said "recovered" after this instant; null: nobody did.</summary>
    public DateTimeOffset? ClinicianRecoveredAfter(DateTimeOffset instant)
    {
        foreach (DateTimeOffset at in ClinicianRecovered)
        {
            if (at > instant)
            {
                return at;
            }
        }

        return null;
    }

    /// <summary>Full days on the step in force at the start of this day, withheld nights not counted.</summary>
    public int DaysOnStep(DateOnly on) =>
        Segment is null ? 0 : on.DayNumber - Segment.Since.DayNumber - WithheldNights(Segment.Since, on);

    /// <summary>Nights in [<paramref name="from"/>, <paramref name="until"/>) that the order paused or a cause withheld.</summary>
    public int WithheldNights(DateOnly from, DateOnly until)
    {
        DateOnly limit = WithheldSince is { } since && since < until ? since : until;
        int nights = limit < until ? until.DayNumber - (limit > from ? limit : from).DayNumber : 0;
        foreach (Pause pause in Orders.Pauses)
        {
            DateOnly start = pause.From > from ? pause.From : from;
            DateOnly end = pause.Until is { } ended && ended < limit ? ended : limit;
            nights += end > start ? end.DayNumber - start.DayNumber : 0;
        }

        return nights;
    }

    /// <summary>Applications of one report on the step in force, over those of its nights that lie on the step.</summary>
    public Exposure ExposureOf(NightReport report, StepSegment segment)
    {
        int nights = NightsOn(report, segment);
        return new Exposure(nights, segment.Step.Frequency.PlannedIn(nights), AppliedIn(report, segment.Step, nights));
    }

    /// <summary>Applications of one report in so many of its nights.</summary>
    private static decimal AppliedIn(NightReport report, Step step, int nights) =>
        report.CountsMissed ? Math.Clamp(step.Frequency.PlannedIn(nights) - report.Count, 0, nights) : Math.Clamp(report.Count, 0, nights);

    /// <summary>Nights of one report that lie on the step and were not withheld.</summary>
    private int NightsOn(NightReport report, StepSegment segment)
    {
        DateOnly from = report.From > segment.Since ? report.From : segment.Since;
        return report.Until > from ? report.Until.DayNumber - from.DayNumber - WithheldNights(from, report.Until) : 0;
    }

    /// <summary>Applications of one report on the step, those of withheld nights too: they are use, and no exposure.</summary>
    public decimal UsedOn(NightReport report, StepSegment segment)
    {
        DateOnly from = report.From > segment.Since ? report.From : segment.Since;
        return report.CountsMissed ? ExposureOf(report, segment).Applied : Math.Clamp(report.Count, 0, Math.Max(report.Until.DayNumber - from.DayNumber, 0));
    }

    /// <summary>Gives the course its withheld nights, and what depends on them.</summary>
    public void WithholdSince(DateOnly? since)
    {
        WithheldSince = since;
        if (Segment is null)
        {
            OnStep = default;
            return;
        }

        int nights = 0;
        decimal applied = 0m;
        foreach (NightReport report in ReportsOnStep)
        {
            int ofReport = NightsOn(report, Segment);
            nights += ofReport;
            applied += AppliedIn(report, Segment.Step, ofReport);
        }

        OnStep = new Exposure(nights, Segment.Step.Frequency.PlannedIn(nights), applied);
    }

    /// <summary>The newest complete check-in day of the course; null where there is none.</summary>
    public DayReport? NewestComplete()
    {
        for (int i = Days.Length - 1; i >= 0; i--)
        {
            if (Days[i].IsComplete)
            {
                return Days[i];
            }
        }

        return null;
    }

    private void FindSegment()
    {
        ImmutableArray<StepSegment> segments = Orders.Segments;
        int current = segments.Length - 1;
        while (current >= 0 && segments[current].Since > Today)
        {
            current--;
        }

        Cautious = CautiousOn(Today);
        if (current < 0)
        {
            FirstDayOnStep = Days.Length;
            AnsweredUntil = DateTimeOffset.MinValue;
            return;
        }

        StepSegment segment = segments[current];
        bool barrier = segment.Step.Barrier || CautiousOn(segment.Since);
        Segment = segment with { Step = segment.Step with { Barrier = barrier } };
        int ordered = current;
        while (ordered > 0 && !segments[ordered].NewDosage)
        {
            ordered--;
        }

        Segment = Segment with { Since = RestartedSince(Segment) };
        FirstDayOnStep = Days.FirstIndex(d => d.Date >= Segment.Since);
        ReportsOnStep = NightReports[NightReports.FirstIndex(r => r.Until > Segment.Since)..];
        AnsweredUntil = ordered == 0 ? DateTimeOffset.MinValue : segments[ordered].OrderedAt;
    }

    /// <summary>
    /// Day 0 again: after a gap on the first step, where nothing is left to step down to, the step counts anew from the nights of the
    /// next report that holds an application.
    /// </summary>
    private DateOnly RestartedSince(StepSegment segment)
    {
        if (!Regimen.IsFirst(segment.Step))
        {
            return segment.Since;
        }

        DateOnly since = segment.Since;
        int without = 0;
        foreach (NightReport report in NightReports)
        {
            int nights = NightsOn(report, segment);
            bool applied = AppliedIn(report, segment.Step, nights) > 0;
            since = applied && without >= Protocol.Gaps.StepDownNights ? report.From : since;
            without = applied ? 0 : without + nights;
        }

        return since;
    }

    /// <summary>Whether the patient takes the cautious ladder on a date.</summary>
    public bool CautiousOn(DateOnly date)
    {
        foreach (ReportedFinding finding in Findings)
        {
            if (finding.Rule.Effect == FindingEffect.CautiousLadder && finding.Date <= date
                && !(finding.ClearedAt is { } cleared && ClinicZone.DateOf(cleared, AsOf.Zone) <= date))
            {
                return true;
            }
        }

        return false;
    }
}
