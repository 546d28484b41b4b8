using System.Text.Json.Nodes;
using Titration.Fhir.Reading;
using Titration.Protocol.Facts;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

public sealed class ObservationTests
{
    private const string Loinc = "http://loinc.org";
    private const string Forms = "https://clinic.example.org/forms";

    [Theory]
    [InlineData("registered", ObservationStatus.Waits)]
    [InlineData("preliminary", ObservationStatus.Waits)]
    [InlineData("final", ObservationStatus.Counts)]
    [InlineData("amended", ObservationStatus.Counts)]
    [InlineData("corrected", ObservationStatus.Counts)]
    [InlineData("entered-in-error", ObservationStatus.Removed)]
    [InlineData("cancelled", ObservationStatus.Removed)]
    [InlineData("unknown", ObservationStatus.Removed)]
    public void The_status_says_whether_it_counts(string status, ObservationStatus expected) =>
        Assert.Equal(expected, FhirJson.CheckIn(status: status).Observation().Status);

    [Fact]
    public void One_entered_in_error_is_removed_even_when_it_says_nothing_else()
    {
        JsonObject observation = FhirJson.Observation("hives", "valueInteger", 9, status: "entered-in-error").Without("effectiveDateTime").Without("subject");

        Assert.Equal("obs-1", Assert.IsType<ResourceReading.Deleted>(observation.Read()).Header.Id);
    }

    [Fact]
    public void A_period_is_dated_by_its_end_and_keeps_its_start()
    {
        ObservationFact fact = FhirJson.CheckIn().Without("effectiveDateTime")
            .With(o => o["effectivePeriod"] = new JsonObject { ["start"] = "2026-03-07", ["end"] = "2026-03-14" }).Observation();

        Assert.Equal((ClinicalTime.On(new(2026, 3, 14)), ClinicalTime.On(new(2026, 3, 7))), (fact.Effective, fact.PeriodStart!.Value));
    }

    [Fact]
    public void An_instant_dates_it_too() =>
        Assert.Equal(
            ClinicalTime.At(new DateTimeOffset(2026, 3, 14, 18, 0, 0, TimeSpan.Zero)),
            FhirJson.CheckIn().Without("effectiveDateTime").With(o => o["effectiveInstant"] = "2026-03-14T19:00:00+01:00").Observation().Effective);

    [Theory]
    [InlineData("effectiveDateTime", "\"2026-03\"", "Observation.effectiveDateTime")]
    [InlineData("effectiveDateTime", "\"1492-10-12\"", "Observation.effectiveDateTime")]
    [InlineData("effectivePeriod", """{"start":"2026-03-07"}""", "Observation.effectivePeriod.end")]
    [InlineData("effectivePeriod", """{"start":"2026-03-15","end":"2026-03-14"}""", "Observation.effectivePeriod")]
    [InlineData("effectiveTiming", """{"event":["2026-03-14"]}""", "Observation.effective[x]")]
    public void A_date_it_cannot_be_placed_by_is_refused(string member, string value, string path) =>
        Assert.Equal(path, FhirJson.CheckIn().Without("effectiveDateTime").With(o => o[member] = JsonNode.Parse(value)).Refused().Path);

    [Fact]
    public void Without_a_date_it_is_refused() =>
        Assert.Equal("Observation.effective[x]", FhirJson.CheckIn().Without("effectiveDateTime").Refused().Path);

    [Theory]
    [InlineData("Practitioner/d1", PerformerKind.Clinician, "Practitioner/d1")]
    [InlineData("PractitionerRole/r1", PerformerKind.Clinician, "PractitionerRole/r1")]
    [InlineData("Patient/p1", PerformerKind.Patient, "Patient/p1")]
    [InlineData("RelatedPerson/q1", PerformerKind.Patient, "RelatedPerson/q1")]
    [InlineData("Organization/o1", PerformerKind.Patient, "Organization/o1")]
    [InlineData("CareTeam/c1", PerformerKind.Patient, "CareTeam/c1")]
    [InlineData("urn:uuid:8217f15f-fac1-5dd4-a01e-02c4c9e72a36", PerformerKind.Patient, null)]
    public void Only_a_practitioner_is_a_clinician(string performer, PerformerKind kind, string? reference)
    {
        ObservationFact fact = FhirJson.CheckIn(performer: performer).Observation();

        Assert.Equal((kind, reference), (fact.PerformerKind, fact.Performer));
    }

    [Fact]
    public void A_practitioner_beside_the_patient_lends_no_authority()
    {
        JsonObject both = FhirJson.CheckIn().With(o => ((JsonArray)o["performer"]!).Add(new JsonObject { ["reference"] = "Practitioner/d1" }));

        Assert.Equal((PerformerKind.Patient, "Patient/p1"), (both.Observation().PerformerKind, both.Observation().Performer));
        Assert.Equal(PerformerKind.Patient, FhirJson.CheckIn().Without("performer").Observation().PerformerKind);
    }

    [Fact]
    public void A_component_nobody_mapped_is_told_beside_what_counts()
    {
        JsonObject panel = FhirJson.CheckIn()
            .Adding(FhirJson.Component("glow", "valueInteger", 1))
            .Adding(FhirJson.Component("x", "valueInteger", 1).With(c => c["code"] = FhirJson.Concept(FhirJson.Snomed, "403598008")));

        ResourceReading.Understood understood = Assert.IsType<ResourceReading.Understood>(panel.Read());

        Assert.Equal(6, Assert.IsType<ObservationFact>(understood.Fact).Statements.Length);
        Assert.Equal([new SystemCode(FhirJson.Tolerability, "glow"), new SystemCode(FhirJson.Snomed, "403598008")], understood.UnmappedCodes);
    }

    [Fact]
    public void An_unknown_code_of_our_own_code_system_is_parked() =>
        Assert.Equal(
            [new SystemCode(FhirJson.Tolerability, "glow")],
            Assert.IsType<ResourceReading.Unmapped>(FhirJson.Observation("glow", "valueInteger", 1).Read()).Codes);

    [Fact]
    public void A_clinics_own_panel_counts_by_its_mapping()
    {
        JsonObject panel = FhirJson.CheckIn().With(o =>
        {
            o["code"] = FhirJson.Concept(Forms, "skin-diary");
            o["component"] = new JsonArray(new JsonObject { ["code"] = FhirJson.Concept(Forms, "stinging"), ["valueCodeableConcept"] = FhirJson.Concept(Forms, "awful") });
        });

        ObservationFact fact = panel.Observation();

        Assert.True(fact.IsPanel);
        Assert.Equal([new Statement.Graded(Sign.Burning, Grade.Severe)], fact.Statements);
    }

    [Fact]
    public void Codes_that_mean_different_things_are_refused()
    {
        JsonObject observation = FhirJson.Observation("erythema", "valueInteger", 1)
            .With(o => ((JsonArray)o["code"]!["coding"]!).Add(new JsonObject { ["system"] = FhirJson.Snomed, ["code"] = "16386004" }));

        Assert.Equal("Observation.code.coding", observation.Refused().Path);
    }

    [Fact]
    public void Other_observations_are_skipped()
    {
        Assert.IsType<ResourceReading.Skipped>(FhirJson.CheckIn().Without("component").With(o => o["code"] = FhirJson.Concept(Loinc, "85354-9")).Read());
        Assert.IsType<ResourceReading.Skipped>(FhirJson.CheckIn().With(o => o["focus"] = new JsonArray(new JsonObject { ["reference"] = "Device/d1" })).Read());
    }

    [Fact]
    public void A_code_that_is_no_list_is_refused_not_skipped() =>
        Assert.IsType<ResourceReading.Refused>(
            FhirJson.CheckIn().Without("component").With(o => o["code"] = new JsonObject { ["coding"] = new JsonObject { ["code"] = "checkin-panel" } }).Read());

    [Fact]
    public void A_modifier_extension_of_a_component_is_refused()
    {
        JsonObject component = FhirJson.Component("hives", "valueBoolean", true)
            .With(c => c["modifierExtension"] = new JsonArray(new JsonObject { ["url"] = "https://example.org/not", ["valueBoolean"] = true }));

        Assert.Equal("Observation.component[6].modifierExtension", FhirJson.CheckIn().Adding(component).Refused().Path);
    }
}
