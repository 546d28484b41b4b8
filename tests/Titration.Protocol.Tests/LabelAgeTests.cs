using Titration.Protocol.Definitions;
using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests;

/// <summary>The labels' least ages, as the protocol file carries them (United States prescribing informations).</summary>
public sealed class LabelAgeTests
{
    [Theory]
    [InlineData("tretinoin", 12)] // most tretinoin labels
    [InlineData("adapalene", 12)]
    [InlineData("tazarotene", 12)]
    [InlineData("trifarotene", 9)]
    public void An_ingredient_has_its_label_s_least_age(string ingredient, int years) =>
        Assert.Equal(years, Story.Standard.ProductOf(ingredient)!.MinimumAgeYears);

    [Fact]
    public void Every_titrated_product_says_where_its_age_is_written() => Assert.All(Story.Standard.Products, p => Assert.NotEmpty(p.Sources));

    [Fact]
    public void A_product_s_own_age_is_never_above_its_ingredient_s()
    {
        foreach (TitratedProduct product in Story.Standard.Products)
        {
            Assert.All(product.Codes, c => Assert.True(c.MinimumAgeYears is null || c.MinimumAgeYears <= product.MinimumAgeYears));
        }
    }
}
