using System.Text.Json.Nodes;
using CsCheck;
using Titration.Protocol.Facts;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

public sealed class ContentHashTests
{
    [Fact]
    public void White_space_and_the_order_of_members_change_nothing() =>
        Gen.Int[0, int.MaxValue].Select(Gen.Int[0, 2], Gen.Bool).Sample((seed, which, indented) =>
        {
            Random random = new(seed);
            JsonObject resource = which switch
            {
                0 => FhirJson.MedicationRequest(start: "2026-03-02", prior: "rx-0"),
                1 => FhirJson.CheckIn(erythema: random.Next(4), missed: random.Next(9)),
                _ => FhirJson.Patient(),
            };
            Fact original = resource.Read().Fact();

            Fact again = Assert.Single(Readers.Reader.Read(Shuffled(resource, random).ToUtf8(indented))).Fact();

            Assert.Equal(Json(original), Json(again));
        }, iter: 300);

    [Fact]
    public void An_escape_changes_nothing()
    {
        string plain = FhirJson.MedicationRequest(product: "Tretinoin 0.025 % cream").ToJsonString();
        string escaped = plain.Replace("Tretinoin", "\\u0054retinoin", StringComparison.Ordinal);

        Assert.Equal(Hash(plain), Hash(escaped));
    }

    [Theory]
    [InlineData("\"id\":\"obs-1\"", "\"id\":\"obs-2\"")]
    [InlineData("\"valueInteger\":0", "\"valueInteger\":1")]
    [InlineData("\"status\":\"final\"", "\"status\":\"amended\"")]
    public void Another_content_has_another_hash(string from, string to)
    {
        string plain = FhirJson.CheckIn().ToJsonString();

        Assert.False(Hash(plain) == Hash(plain.Replace(from, to, StringComparison.Ordinal)));
    }

    [Fact]
    public void The_precision_of_a_number_is_content() =>
        Assert.False(
            FhirJson.MedicationRequest(grams: 0.25m).Prescription().Source.ContentHash
            == FhirJson.MedicationRequest(grams: 0.250m).Prescription().Source.ContentHash);

    private static string Hash(string json) =>
        Assert.Single(Readers.Reader.Read(System.Text.Encoding.UTF8.GetBytes(json))).Fact().Source.ContentHash;

    private static string Json(Fact fact) => System.Text.Json.JsonSerializer.Serialize(fact);

    private static JsonNode Shuffled(JsonNode node, Random random)
    {
        switch (node)
        {
            case JsonObject members:
                KeyValuePair<string, JsonNode?>[] pairs = [.. members];
                random.Shuffle(pairs);
                return new JsonObject(pairs.Select(p => KeyValuePair.Create(p.Key, p.Value is null ? null : Shuffled(p.Value, random))));
            case JsonArray items:
                return new JsonArray([.. items.Select(i => i is null ? null : Shuffled(i, random))]);
            default:
                return node.DeepClone();
        }
    }
}
