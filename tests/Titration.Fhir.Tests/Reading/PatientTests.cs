using System.Text.Json.Nodes;
using Titration.Protocol.Facts;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

public sealed class PatientTests
{
    [Theory]
    [InlineData("1990-05-14", "1990-05-14")]
    [InlineData("1990-02", "1990-02-28")]
    [InlineData("2012-02", "2012-02-29")]
    [InlineData("1990", "1990-12-31")]
    public void A_partial_birth_date_is_the_latest_day_it_allows(string written, string latest) =>
        Assert.Equal(DateOnly.ParseExact(latest, "yyyy-MM-dd"), FhirJson.Patient(birthDate: written).PatientFact().BirthDate);

    [Fact]
    public void A_birth_date_may_be_unknown() => Assert.Null(FhirJson.Patient().Without("birthDate").PatientFact().BirthDate);

    [Fact]
    public void Death_is_a_flag_or_a_date()
    {
        Assert.False(FhirJson.Patient().PatientFact().Deceased);
        Assert.False(FhirJson.Patient().With(p => p["deceasedBoolean"] = false).PatientFact().Deceased);
        Assert.True(FhirJson.Patient().With(p => p["deceasedBoolean"] = true).PatientFact().Deceased);
        Assert.True(FhirJson.Patient().With(p => p["deceasedDateTime"] = "2026").PatientFact().Deceased);
    }

    [Fact]
    public void A_record_is_active_unless_it_says_otherwise()
    {
        Assert.True(FhirJson.Patient().Without("active").PatientFact().Active);
        Assert.False(FhirJson.Patient().With(p => p["active"] = false).PatientFact().Active);
    }

    [Fact]
    public void The_preferred_language_is_read()
    {
        JsonObject patient = FhirJson.Patient().With(p => p["communication"] = new JsonArray(Language("en"), Language("de").With(l => l["preferred"] = true)));

        Assert.Equal("de", patient.PatientFact().Language);
        Assert.Equal("en", FhirJson.Patient().With(p => p["communication"] = new JsonArray(Language("en"))).PatientFact().Language);
        Assert.Null(FhirJson.Patient().With(p => p["communication"] = new JsonArray(Language("en"), Language("de"))).PatientFact().Language);
    }

    [Fact]
    public void A_merged_record_names_the_surviving_one()
    {
        JsonObject patient = FhirJson.Patient().With(p => p["link"] = new JsonArray(
            new JsonObject { ["other"] = new JsonObject { ["reference"] = "Patient/p2" }, ["type"] = "replaced-by" }));

        Assert.Equal("p2", patient.PatientFact().ReplacedBy);
        Assert.Equal("p1", patient.PatientFact().Patient);
    }

    private static JsonObject Language(string code) => new() { ["language"] = FhirJson.Concept("urn:ietf:bcp:47", code) };
}
