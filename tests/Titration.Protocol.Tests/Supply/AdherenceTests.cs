using Titration.Protocol.Supply;
using Xunit;

namespace Titration.Protocol.Tests.Supply;

/// <summary>Against published worked examples: PQA's proportion of days covered, and Raebel and others' possession ratio.</summary>
public sealed class AdherenceTests
{
    private static readonly DateOnly NewYear2018 = new(2018, 1, 1);

    [Fact]
    public void Four_fills_of_90_days_cover_348_of_the_365_days_of_2018()
    {
        // PQA claims: the second fill comes 7 days early and shifts, the fourth is cut by the year's end.
        DaysOfPeriod covered = Adherence.ProportionOfDaysCovered(
            [new(NewYear2018, 90), new(new(2018, 3, 25), 90), new(new(2018, 7, 5), 90), new(new(2018, 10, 15), 90)], NewYear2018, new(2019, 1, 1));

        Assert.Equal(new DaysOfPeriod(348, 365), covered);
        Assert.Equal(0.9534m, decimal.Round(covered.Ratio!.Value, 4));
        Assert.True(covered.Ratio >= Adherence.AdherentFrom);
    }

    [Fact]
    public void The_period_starts_with_the_first_fill_and_270_of_282_days_are_covered()
    {
        // PQA claims.
        DaysOfPeriod covered = Adherence.ProportionOfDaysCovered(
            [new(new(2018, 9, 25), 90), new(new(2018, 3, 25), 90), new(new(2018, 7, 5), 90)], NewYear2018, new(2019, 1, 1));

        Assert.Equal(new DaysOfPeriod(270, 282), covered);
        Assert.Equal(0.9574m, decimal.Round(covered.Ratio!.Value, 4));
    }

    [Fact]
    public void Days_covered_and_days_dispensed_differ_where_a_fill_outlasts_the_period()
    {
        // Derived: 30-day fills on 1 and 25 January and 10 March, over 90 days.
        Fill[] fills = [new(new(2025, 1, 1), 30), new(new(2025, 1, 25), 30), new(new(2025, 3, 10), 30)];
        DateOnly from = new(2025, 1, 1);
        DateOnly until = new(2025, 4, 1);

        Assert.Equal(new DaysOfPeriod(82, 90), Adherence.ProportionOfDaysCovered(fills, from, until));
        Assert.Equal(new DaysOfPeriod(90, 90), Adherence.MedicationPossession(fills, from, until));
    }

    [Fact]
    public void The_possession_ratio_may_exceed_1_and_days_covered_may_not()
    {
        // Raebel and others, Med Care 2013: 240 days' supply in 180 days are 133 %.
        Fill[] fills = [.. Enumerable.Range(0, 8).Select(i => new Fill(new DateOnly(2025, 1, 1).AddDays(22 * i), 30))];
        DateOnly from = new(2025, 1, 1);

        DaysOfPeriod possession = Adherence.MedicationPossession(fills, from, from.AddDays(180));

        Assert.Equal(new DaysOfPeriod(240, 180), possession);
        Assert.Equal(133m, decimal.Round(100m * possession.Ratio!.Value, 0));
        Assert.Equal(1m, Adherence.ProportionOfDaysCovered(fills, from, from.AddDays(180)).Ratio);
    }

    [Fact]
    public void Two_fills_of_one_day_are_used_one_after_the_other() => Assert.Equal(
        new DaysOfPeriod(60, 90), Adherence.ProportionOfDaysCovered([new(NewYear2018, 30), new(NewYear2018, 30)], NewYear2018, NewYear2018.AddDays(90)));

    [Fact]
    public void Without_a_fill_in_the_period_there_is_no_share()
    {
        Fill[] outside = [new(NewYear2018.AddDays(-1), 30), new(NewYear2018.AddDays(30), 30), new(NewYear2018.AddDays(2), 0)];

        Assert.Null(Adherence.ProportionOfDaysCovered(outside, NewYear2018, NewYear2018.AddDays(30)).Ratio);
        Assert.Null(Adherence.MedicationPossession([], NewYear2018, NewYear2018.AddDays(30)).Ratio);
    }

    [Fact]
    public void The_longest_supply_does_not_overflow() => Assert.Equal(
        new DaysOfPeriod(90, 90), Adherence.ProportionOfDaysCovered([new(NewYear2018, int.MaxValue), new(NewYear2018, int.MaxValue)], NewYear2018, NewYear2018.AddDays(90)));
}
