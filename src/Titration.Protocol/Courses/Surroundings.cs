using System.Collections.Immutable;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>An order of the same patient for another product that bears on the course.</summary>
/// <param name="Order">Its version that counts.</param>
/// <param name="From">When it came into force.</param>
/// <param name="Until">When it ceased; null: it is in force.</param>
internal sealed record OtherOrder(PrescriptionFact Order, DateTimeOffset From, DateTimeOffset? Until)
{
    /// <summary>Clinic-local date of its first application: that of the order, or a later start that it gives.</summary>
    public DateOnly BeganOn(TimeZoneInfo zone)
    {
        DateOnly ordered = ClinicZone.DateOf(From, zone);
        return Order.Phases is [{ Start: { } start }, ..] && start.DateIn(zone) > ordered ? start.DateIn(zone) : ordered;
    }

    /// <summary>Orders for other retinoids and for interacting topicals that have been in force by now.</summary>
    public static ImmutableArray<OtherOrder> Of(
        Course course, ImmutableArray<ImmutableArray<PrescriptionFact>> prescriptions, ProtocolDefinition protocol, AsOf asOf)
    {
        List<OtherOrder> others = [];
        foreach (ImmutableArray<PrescriptionFact> versions in prescriptions)
        {
            Product product = versions[^1].Product;
            if (product.Role == ProductRole.Titrated && product.Ingredient == course.Ingredient)
            {
                continue;
            }

            // A course of its own is asked for its own timeline: what counts here is only from when to when it was in force.
            OrderTimeline timeline = OrderTimeline.Of([versions], [], protocol, asOf);
            if (timeline.State != OrderState.NotBegun)
            {
                DateTimeOffset? until = timeline.State == OrderState.InForce ? null : timeline.CeasedAt;
                others.Add(new OtherOrder(versions[^1], versions[0].AuthoredOn.StartIn(asOf.Zone), until));
            }
        }

        return [.. others];
    }
}

/// <summary>What somebody said of the effect.</summary>
internal readonly record struct EffectReport(Effect Effect, DateOnly Date, ResourceVersion Source)
{
    public static ImmutableArray<EffectReport> Of(ImmutableArray<Observed> remarks)
    {
        List<EffectReport> reports = [];
        foreach (Observed observed in remarks)
        {
            foreach (Statement statement in observed.Fact.Statements)
            {
                if (statement is Statement.EffectSeen seen)
                {
                    reports.Add(new EffectReport(seen.Effect, observed.Date, observed.Fact.Source));
                }
            }
        }

        return [.. reports];
    }
}

/// <summary>A planned procedure on the treated area.</summary>
internal readonly record struct PlannedProcedure(DateOnly Date, DateTimeOffset SaidAt, ResourceVersion Source)
{
    public static ImmutableArray<PlannedProcedure> Of(ImmutableArray<Observed> remarks)
    {
        List<PlannedProcedure> procedures = [];
        foreach (Observed observed in remarks)
        {
            foreach (Statement statement in observed.Fact.Statements)
            {
                if (statement is Statement.ProcedurePlanned planned)
                {
                    procedures.Add(new PlannedProcedure(ClinicZone.Within(planned.Date), observed.At, observed.Fact.Source));
                }
            }
        }

        return [.. procedures];
    }
}
