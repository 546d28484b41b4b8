using System.Text;
using Titration.Fhir.Reading;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

public sealed class HostileInputTests
{
    private const string Head = """{"resourceType":"Observation","id":"o1","status":"final","code":{"coding":[{"system":"https://titration.example.org/fhir/CodeSystem/tolerability","code":"checkin-panel"}]}""";

    public static TheoryData<string, byte[]> NotFhir => new()
    {
        { "nothing", [] },
        { "white space", "  \n"u8.ToArray() },
        { "no object", "[]"u8.ToArray() },
        { "a number", "42"u8.ToArray() },
        { "null", "null"u8.ToArray() },
        { "no type", "{}"u8.ToArray() },
        { "a type that is no text", """{"resourceType":42}"""u8.ToArray() },
        { "a type that is none", """{"resourceType":"Moonbeam","id":"1"}"""u8.ToArray() },
        { "XML", "<Observation xmlns=\"http://hl7.org/fhir\"/>"u8.ToArray() },
        { "a byte order mark", [0xEF, 0xBB, 0xBF, .. FhirJson.CheckIn().ToUtf8()] },
        { "UTF-16", Encoding.Unicode.GetBytes(FhirJson.CheckIn().ToJsonString()) },
        { "Latin-1", Encoding.Latin1.GetBytes("""{"resourceType":"Observation","id":"é"}""") },
        { "cut off", FhirJson.CheckIn().ToUtf8()[..^10] },
        { "something after it", [.. FhirJson.CheckIn().ToUtf8(), (byte)'x'] },
        { "two of it", [.. FhirJson.CheckIn().ToUtf8(), .. FhirJson.CheckIn().ToUtf8()] },
        { "a comment", "{/* */}"u8.ToArray() },
        { "a member twice", Encoding.UTF8.GetBytes(Head + ""","status":"final"}""") },
        { "a member twice deep down", Encoding.UTF8.GetBytes(Head + ""","component":[{"valueInteger":1,"valueInteger":2}]}""") },
        { "a name that cannot be decoded", Encoding.UTF8.GetBytes(Head + ""","\ud800":1}""") },
        { "half a surrogate pair", Encoding.UTF8.GetBytes(Head + ""","note":[{"text":"\ud800"}]}""") },
        { "a NUL character", Encoding.UTF8.GetBytes(Head + ""","note":[{"text":"a\u0000b"}]}""") },
        { "a depth bomb", Encoding.UTF8.GetBytes(new string('[', 100_000)) },
        { "a closed depth bomb", Encoding.UTF8.GetBytes(Head + ",\"x\":" + new string('[', 5_000) + new string(']', 5_000) + "}") },
        { "an overflowing number", Encoding.UTF8.GetBytes(Head + ""","component":[{"valueQuantity":{"value":1e999}}]}""") },
        { "entries that are no list", """{"resourceType":"Bundle","entry":{}}"""u8.ToArray() },
        { "entries twice", """{"resourceType":"Bundle","entry":[],"entry":[]}"""u8.ToArray() },
    };

    [Theory]
    [MemberData(nameof(NotFhir))]
    public void What_is_not_FHIR_JSON_is_refused_with_a_reason(string what, byte[] body)
    {
        ResourceReading.Refused refused = Assert.IsType<ResourceReading.Refused>(Assert.Single(Readers.Reader.Read(body)));

        Assert.True(refused.Problem.EndsWith('.'), what);
        Assert.NotEmpty(refused.Path);
    }

    [Fact]
    public void Entries_that_are_nothing_are_refused_one_by_one()
    {
        byte[] body = """{"resourceType":"Bundle","entry":[1,null,{},[],{"resource":5},{"resource":{}}]}"""u8.ToArray();

        Assert.All(Readers.Reader.Read(body), r => Assert.IsType<ResourceReading.Refused>(r));
        Assert.Equal(6, Readers.Reader.Read(body).Length);
    }

    [Fact]
    public void Sizes_are_limited()
    {
        Vocabulary vocabulary = Vocabulary.Of(Readers.Protocol);
        byte[] checkIn = FhirJson.CheckIn().ToUtf8();
        byte[] two = FhirJson.Bundle("searchset", FhirJson.CheckIn(), FhirJson.CheckIn(id: "obs-2")).ToUtf8();

        Assert.IsType<ResourceReading.Refused>(Assert.Single(new FhirReader(vocabulary, new ReadingLimits(BodyBytes: 100)).Read(checkIn)));
        Assert.IsType<ResourceReading.Refused>(Assert.Single(new FhirReader(vocabulary, new ReadingLimits(ResourceBytes: 100)).Read(checkIn)));
        Assert.IsType<ResourceReading.Refused>(Assert.Single(new FhirReader(vocabulary, new ReadingLimits(ResourceTokens: 100)).Read(checkIn)));
        Assert.IsType<ResourceReading.Refused>(Assert.Single(new FhirReader(vocabulary, new ReadingLimits(Entries: 1)).Read(two)));
    }

    [Fact]
    public void Problems_quote_nothing_of_what_was_sent()
    {
        const string secret = "Quillfeather";
        string[] bodies =
        [
            Head + $$$$""","{{{{secret}}}}":1}""",
            Head + $$$$""","{{{{secret}}}}":{"{{{{secret}}}}":null}}""",
            Head + $$$$""","effectiveDateTime":"{{{{secret}}}}"}""",
            Head + $$$$""","subject":{"reference":"{{{{secret}}}}"}}""",
            Head + $$$$""","component":[{"code":{"text":"{{{{secret}}}}"},"valueInteger":"{{{{secret}}}}"}]}""",
            Head.Replace("final", secret, StringComparison.Ordinal) + "}",
            $$$$"""{"resourceType":"{{{{secret}}}}"}""",
            $$$$"""{"resourceType":"Observation","{{{{secret}}}}":1,"{{{{secret}}}}":2}""",
        ];
        foreach (string body in bodies)
        {
            ResourceReading.Refused refused = Assert.IsType<ResourceReading.Refused>(Assert.Single(Readers.Reader.Read(Encoding.UTF8.GetBytes(body))));

            Assert.DoesNotContain(secret, refused.Path + refused.Problem + refused.Header, StringComparison.Ordinal);
        }
    }

    // Followed to their end, each of these bodies takes the SDK from ten seconds to a minute.
    [Theory]
    [InlineData(",\"component\":[{}", ",{}", "]}")]
    [InlineData(",\"component\":[1", ",1", "]}")]
    [InlineData(",\"component\":[{\"code\":{\"text\":\"a\"}}", ",{\"code\":{\"text\":\"a\"}}", "]}")]
    public void A_body_of_countless_elements_is_refused_before_it_is_followed(string before, string repeated, string after)
    {
        StringBuilder body = new(Head + before);
        while (body.Length < 2_000_000)
        {
            body.Append(repeated);
        }

        AssertTooLarge(body.Append(after).ToString());
    }

    [Fact]
    public void A_body_of_countless_unknown_members_is_refused_before_it_is_followed() =>
        AssertTooLarge(Head + string.Concat(Enumerable.Range(0, 150_000).Select(i => $",\"x{i}\":1")) + "}");

    [Fact]
    public void A_Bundle_full_of_faults_is_not_followed_to_its_end()
    {
        string entry = "{\"resource\":" + Head + ",\"component\":[1" + string.Concat(Enumerable.Repeat(",1", 4_000)) + "]}}";
        string body = "{\"resourceType\":\"Bundle\",\"entry\":[" + string.Join(',', Enumerable.Repeat(entry, 100)) + "]}";

        IEnumerable<ResourceReading.Refused> refused = Readers.Reader.Read(Encoding.UTF8.GetBytes(body)).Cast<ResourceReading.Refused>();

        Assert.Equal(99, refused.Count(r => r.Problem == "The body has too many faults; send this resource again by itself."));
    }

    [Fact]
    public void A_product_name_of_digits_says_no_strength() =>
        Assert.Null(FhirJson.MedicationRequest(product: new string('1', 1_000_000) + "%").Prescription().Product.StrengthPercent);

    private static void AssertTooLarge(string body)
    {
        ResourceReading.Refused refused = Assert.IsType<ResourceReading.Refused>(Assert.Single(Readers.Reader.Read(Encoding.UTF8.GetBytes(body))));

        Assert.Equal("The resource is larger than 2097152 bytes or 5000 JSON tokens.", refused.Problem);
    }
}
