using Titration.TestKit;
using Xunit;

namespace Titration.Protocol.Tests.Stories;

/// <summary>Each story is evaluated twice, from its facts and told in FHIR; this one shows that the second way is really taken.</summary>
public sealed class FhirStories
{
    [Fact]
    public void A_story_is_told_in_FHIR_too_and_gives_the_same()
    {
        int before = Story.RetoldInFhir;

        new Story().Order("2026-03-01T10:00").CheckIn("2026-03-07T19:00", applied: 3).CheckIn("2026-03-14T19:00", applied: 4).AsOf("2026-03-15");

        Assert.True(Story.RetoldInFhir > before);
    }
}
