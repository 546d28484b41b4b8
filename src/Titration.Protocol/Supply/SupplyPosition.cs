using System.Collections.Immutable;
using Titration.Protocol.Courses;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Supply;

/// <summary>
/// Grams dispensed, as the orders let one assume, against grams applied, as reported or planned. A tube's life is an estimate: grams
/// over grams per application times applications a night, nights counted as days.
/// </summary>
/// <param name="Applied">Grams of product applied before today.</param>
/// <param name="FirstFills">Grams of the first fill of every order.</param>
/// <param name="AllFills">Grams of every fill of every order.</param>
/// <param name="EarliestRunOut">First night without product where only first fills were dispensed; null where the present plan never uses them up.</param>
/// <param name="LatestRunOut">First night without product where every repeat was dispensed; null as above.</param>
/// <param name="GapSince">
/// The same, counting the nights that a cause withheld until an order answered it as planned: by assumption alone one finding more must not make a gap
/// shorter. What a gap by supply goes by.
/// </param>
/// <param name="LastReported">First night after the last that somebody reported; null where nobody did.</param>
/// <param name="Newest">The newest order: its next fill, or a later order, is what a reminder waits for.</param>
/// <param name="Evidence">The orders.</param>
internal sealed record SupplyPosition(
    decimal Applied, decimal FirstFills, decimal AllFills, DateOnly? EarliestRunOut, DateOnly? LatestRunOut, DateOnly? GapSince, DateOnly? LastReported,
    OrderedSupply Newest, ImmutableArray<ResourceVersion> Evidence)
{
    /// <summary>Null where an order does not say how much it gives, or none counts.</summary>
    public static SupplyPosition? Of(CourseTimeline course)
    {
        ImmutableArray<OrderedSupply> orders = course.Dispensed;
        if (orders.IsEmpty || course.Orders.Segments.IsEmpty || orders.Any(o => o.GramsPerFill is null))
        {
            return null;
        }

        Stock first = new();
        Stock all = new();
        // Null: the same as of all fills, since no stretch was answered.
        Stock? most = course.AnsweredStretches.IsEmpty ? null : new();
        decimal applied = 0m;
        decimal firstFills = 0m;
        decimal allFills = 0m;
        foreach (OrderedSupply given in orders)
        {
            firstFills += given.GramsPerFill!.Value;
            allFills += given.GramsOfAllFills;
        }

        int order = 0;
        DateOnly? lastReported = null;
        foreach (NightlyUse use in NightlyUse.Of(course))
        {
            for (; order < orders.Length && orders[order].On <= use.From; order++)
            {
                first.Add(orders[order].GramsPerFill!.Value);
                all.Add(orders[order].GramsOfAllFills);
                most?.Add(orders[order].GramsOfAllFills);
            }

            decimal used = use.GramsIn(use.NightsBefore(course.Today));
            decimal? ofAllNights = use.Until <= course.Today ? used : null;
            first.Use(use, ofAllNights);
            all.Use(use, ofAllNights);
            most?.Use(use with { Answered = false });
            applied += used;
            lastReported = use.Reported ? use.Until : lastReported;
        }

        return new SupplyPosition(
            applied, firstFills, allFills, first.RunOut, all.RunOut, (most ?? all).RunOut, lastReported, orders[^1],
            [.. orders.Select(o => o.Source)]);
    }

    /// <summary>
    /// Nights of the step in force, before today, since the supply ran out with all repeats. 0 where anything was reported of the nights since then:
    /// what was reported outranks what supply suggests.
    /// </summary>
    public int NightsSinceRunOut(StepSegment segment, DateOnly today)
    {
        if (GapSince is not { } ranOut || LastReported > ranOut)
        {
            return 0;
        }

        DateOnly from = ranOut > segment.Since ? ranOut : segment.Since;
        return Math.Max(today.DayNumber - from.DayNumber, 0);
    }

    /// <summary>Product at hand. What was used beyond it came from elsewhere, and is no debt of the next tube's.</summary>
    private sealed class Stock
    {
        /// <summary>A sum of thirds of a night may fall short of the whole by less than this.</summary>
        private const decimal Rounding = 0.000001m;

        private decimal _grams;

        /// <summary>First night without product since the last fill; null: not by what is known.</summary>
        public DateOnly? RunOut { get; private set; }

        public void Add(decimal grams)
        {
            _grams += grams;
            RunOut = _grams > 0m ? null : RunOut;
        }

        /// <param name="use">The nights.</param>
        /// <param name="ofAllNights">What they use together, where that has been worked out.</param>
        public void Use(in NightlyUse use, decimal? ofAllNights = null)
        {
            if (RunOut is not null || !use.IsUse)
            {
                return;
            }

            decimal left = _grams - (ofAllNights ?? use.GramsIn(use.Nights));
            if (left >= 0m)
            {
                _grams = left;
                return;
            }

            int lasts = (int)Math.Floor(use.NightsFrom(_grams) + Rounding);
            RunOut = lasts < use.Nights ? use.From.AddDays(lasts) : null;
            _grams = 0m;
        }
    }
}
