using Titration.Protocol.Doses;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests.Doses;

/// <summary>Against the published values: Long and Finlay, Clin Exp Dermatol 1991;16:444-447, and DermNet's worked example.</summary>
public sealed class FingertipUnitTests
{
    [Theory]
    [InlineData(Sex.Male, false, "0.49")] // Long and Finlay 1991
    [InlineData(Sex.Female, false, "0.43")] // Long and Finlay 1991
    [InlineData(Sex.Male, true, "0.5")] // DermNet
    [InlineData(Sex.Female, true, "0.4")] // DermNet
    public void One_unit_weighs_what_was_published(Sex sex, bool rounded, decimal grams) =>
        Assert.Equal(grams, FingertipUnit.ToGrams(1m, sex, rounded));

    [Theory] // Long and Finlay 1991, abstract
    [InlineData(BodyRegion.FaceAndNeck, "2.5")]
    [InlineData(BodyRegion.TrunkFront, "6.7")]
    [InlineData(BodyRegion.TrunkBack, "6.8")]
    [InlineData(BodyRegion.ArmAndForearm, "3.3")]
    [InlineData(BodyRegion.Hand, "1.2")]
    [InlineData(BodyRegion.LegAndThigh, "5.8")]
    [InlineData(BodyRegion.Foot, "1.8")]
    public void A_region_takes_the_units_that_were_measured(BodyRegion region, decimal units) => Assert.Equal(units, FingertipUnit.UnitsFor(region));

    [Theory] // the units above x the measured weights
    [InlineData(BodyRegion.FaceAndNeck, Sex.Female, "1.075")]
    [InlineData(BodyRegion.FaceAndNeck, Sex.Male, "1.225")]
    [InlineData(BodyRegion.LegAndThigh, Sex.Female, "2.494")]
    [InlineData(BodyRegion.Hand, Sex.Male, "0.588")]
    public void Grams_for_a_region_are_its_units_at_that_hand_s_weight(BodyRegion region, Sex sex, decimal grams) =>
        Assert.Equal(grams, FingertipUnit.GramsFor(region, sex));

    [Fact]
    public void The_whole_body_of_a_man_takes_about_twenty_grams()
    {
        // 2.5 + 6.7 + 6.8 + 2 x (3.3 + 1.2 + 5.8 + 1.8) = 40.2 units; x 0.49 g = 19.698 g.
        decimal units = Enum.GetValues<BodyRegion>()
            .Sum(r => FingertipUnit.UnitsFor(r) * (r is BodyRegion.FaceAndNeck or BodyRegion.TrunkFront or BodyRegion.TrunkBack ? 1 : 2));

        Assert.Equal(40.2m, units);
        Assert.Equal(19.698m, FingertipUnit.ToGrams(units, Sex.Male));
    }

    [Fact]
    public void Both_arms_once_a_day_take_16_8_grams_a_week_and_a_30_gram_tube_lasts_12_and_a_half_days()
    {
        // DermNet's example: both arms, 3 units each, 0.4 g a unit.
        decimal daily = FingertipUnit.ToGrams(2 * 3m, Sex.Female, rounded: true);

        Assert.Equal(2.4m, daily);
        Assert.Equal(16.8m, DoseAmounts.GramsPerWeek(daily, new Frequency(1, 1)));
        Assert.Equal(12.5m, DoseAmounts.DaysSupply(30m, daily, new Frequency(1, 1)));
    }

    [Fact]
    public void The_protocol_takes_a_man_s_rounded_unit_which_is_the_larger_and_so_the_cautious_one() =>
        Assert.Equal(FingertipUnit.RoundedGrams(Sex.Male), Story.Standard.Dose.FingertipUnitGrams);

    [Fact]
    public void A_negative_number_of_units_is_refused() =>
        Assert.Throws<ArgumentOutOfRangeException>(() => FingertipUnit.ToGrams(-0.5m, Sex.Male));
}
