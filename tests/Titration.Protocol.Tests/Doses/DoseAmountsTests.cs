using Titration.Protocol.Courses;
using Titration.Protocol.Doses;
using Titration.Protocol.Facts;
using Xunit;

namespace Titration.Protocol.Tests.Doses;

/// <summary>Product and active ingredient a week, and how long a tube lasts: arithmetic, derived from the steps of the standard ladder.</summary>
public sealed class DoseAmountsTests
{
    [Theory] // 0.25 g x 3.5; 0.25 g x 7; 0.5 g x 7; of 0.025 %: x 0.25 mg; 30 g over them in days
    [InlineData("0.25", 2, "0.875", "0.21875", 240)]
    [InlineData("0.25", 1, "1.75", "0.4375", 120)]
    [InlineData("0.5", 1, "3.5", "0.875", 60)]
    public void Each_step_of_the_ladder_comes_to_its_grams_its_milligrams_and_its_days(decimal grams, int perDays, decimal weekly, decimal active, int days)
    {
        Frequency frequency = new(1, perDays);
        Step step = new(0.025m, frequency, grams, Barrier: false);

        Assert.Equal(weekly, DoseAmounts.GramsPerWeek(grams, frequency));
        Assert.Equal(active, DoseAmounts.ActiveMilligrams(weekly, 0.025m));
        Assert.Equal((weekly, active), (step.WeeklyGrams, step.WeeklyActiveMilligrams));
        Assert.Equal(days, DoseAmounts.DaysSupply(30m, grams, frequency));
    }

    [Fact]
    public void Every_third_night_is_exact() => Assert.Equal(360m, DoseAmounts.DaysSupply(30m, 0.25m, new Frequency(1, 3)));

    [Fact]
    public void The_steps_of_a_course_add_up()
    {
        NightsOnStep[] steps =
        [
            new(new Step(0.025m, new Frequency(1, 2), 0.25m, Barrier: false), 14),
            new(new Step(0.025m, new Frequency(1, 1), 0.25m, Barrier: false), 14),
            new(new Step(0.05m, new Frequency(1, 2), 0.25m, Barrier: false), 14),
        ];

        // 7 x 0.25 + 14 x 0.25 + 7 x 0.25 g; x 0.25, 0.25 and 0.5 mg/g.
        Assert.Equal(7m, DoseAmounts.CumulativeGrams(steps));
        Assert.Equal(2.1875m, DoseAmounts.CumulativeActiveMilligrams(steps));
        Assert.Equal(0m, DoseAmounts.CumulativeGrams([]));
    }

    [Theory]
    [InlineData("0", 0)]
    [InlineData("79228162514264337593543950335", DoseAmounts.LongestDays)]
    public void A_tube_lasts_from_no_day_to_a_hundred_years(decimal grams, int days) =>
        Assert.Equal(days, DoseAmounts.DaysSupply(grams, 0.25m, new Frequency(1, 1)));

    [Fact]
    public void Amounts_out_of_range_are_refused()
    {
        Assert.Throws<ArgumentOutOfRangeException>(() => DoseAmounts.DaysSupply(-1m, 0.25m, new Frequency(1, 1)));
        Assert.Throws<ArgumentOutOfRangeException>(() => DoseAmounts.DaysSupply(30m, 0m, new Frequency(1, 1)));
    }
}
