using System.Text.Json.Nodes;
using Titration.Fhir.Reading;
using Titration.Protocol.Facts;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

public sealed class DosageTests
{
    [Fact]
    public void The_happy_path_is_a_quarter_gram_on_alternate_nights()
    {
        DosagePhase phase = Assert.Single(FhirJson.MedicationRequest().Prescription().Phases);

        Assert.Equal(new DosagePhase(null, new Frequency(1, 2), 0.25m), phase);
    }

    [Theory]
    [InlineData("""{"frequency":1,"period":1,"periodUnit":"d"}""", 7)]
    [InlineData("""{"frequency":1,"period":2,"periodUnit":"d","when":["NIGHT"]}""", 3.5)]
    [InlineData("""{"frequency":3,"period":1,"periodUnit":"wk","when":["HS"]}""", 3)]
    [InlineData("""{"frequency":2,"period":7,"periodUnit":"d","timeOfDay":["22:00:00"]}""", 2)]
    [InlineData("""{"period":2,"periodUnit":"wk"}""", 0.5)]
    [InlineData("""{"frequency":1,"period":48,"periodUnit":"h"}""", 3.5)]
    [InlineData("""{"frequency":1,"period":24,"periodUnit":"h"}""", 7)]
    [InlineData("""{"frequency":1,"period":12,"periodUnit":"h"}""", 14)]
    [InlineData("""{"frequency":1,"period":3.5,"periodUnit":"d"}""", 2)]
    [InlineData("""{"when":["HS"]}""", 7)]
    [InlineData("""{"when":["MORN","NIGHT"]}""", 14)]
    [InlineData("""{"dayOfWeek":["mon","wed","fri"]}""", 3)]
    [InlineData("""{"dayOfWeek":["mon","thu"],"when":["HS"]}""", 2)]
    [InlineData("""{"frequency":1,"period":1,"periodUnit":"d","dayOfWeek":["mon","thu"]}""", 2)]
    [InlineData("""{"frequency":2,"period":1,"periodUnit":"wk","dayOfWeek":["mon","thu"]}""", 2)]
    [InlineData("""{"period":1,"periodUnit":"wk","dayOfWeek":["mon"]}""", 1)]
    public void A_frequency_that_is_certain_is_taken(string repeat, double perWeek)
    {
        PrescriptionFact fact = WithRepeat(repeat).Prescription();

        Assert.Equal((decimal)perWeek, Assert.Single(fact.Phases).Frequency.NightsPerWeek);
    }

    [Theory]
    [InlineData("""{"frequency":1,"frequencyMax":2,"period":1,"periodUnit":"d"}""")]
    [InlineData("""{"frequency":1,"period":2,"periodMax":3,"periodUnit":"d"}""")]
    [InlineData("""{"frequency":1,"period":1,"periodUnit":"mo"}""")]
    [InlineData("""{"frequency":1,"period":36,"periodUnit":"h"}""")]
    [InlineData("""{"frequency":1,"period":2}""")]
    [InlineData("""{"frequency":1}""")]
    [InlineData("""{"count":10,"frequency":1,"period":1,"periodUnit":"d"}""")]
    [InlineData("""{"duration":30,"durationUnit":"min","frequency":1,"period":1,"periodUnit":"d"}""")]
    [InlineData("""{"when":["MORN"]}""")]
    [InlineData("""{"frequency":1,"period":1,"periodUnit":"d","timeOfDay":["08:00:00"]}""")]
    [InlineData("""{"frequency":2,"period":1,"periodUnit":"d","when":["HS"]}""")]
    [InlineData("""{"frequency":3,"period":1,"periodUnit":"d","when":["MORN","HS"]}""")]
    [InlineData("""{"when":["HS"],"timeOfDay":["22:00:00"]}""")]
    [InlineData("""{"frequency":1,"period":1,"periodUnit":"wk","dayOfWeek":["mon","thu"]}""")]
    [InlineData("""{"frequency":1,"period":2,"periodUnit":"wk","dayOfWeek":["mon"]}""")]
    [InlineData("""{"frequency":1,"period":400,"periodUnit":"d"}""")]
    [InlineData("""{"frequency":1,"period":0.0000000000000000000000000001,"periodUnit":"d"}""")]
    [InlineData("""{"frequency":99,"period":1,"periodUnit":"d"}""")]
    public void A_frequency_that_can_be_meant_in_two_ways_is_asked_about(string repeat) => AssertTextOnly(WithRepeat(repeat));

    [Theory]
    [InlineData("QD", 7)]
    [InlineData("BED", 7)]
    [InlineData("QOD", 3.5)]
    [InlineData("BID", 14)]
    [InlineData("Q4H", 42)]
    [InlineData("WK", 1)]
    public void A_timing_code_is_the_whole_statement(string code, double perWeek) =>
        Assert.Equal((decimal)perWeek, Assert.Single(WithTiming(Coded(code)).Prescription().Phases).Frequency.NightsPerWeek);

    [Fact]
    public void Bounds_still_apply_to_a_timing_code()
    {
        JsonObject timing = Coded("QOD").With(t => t["repeat"] = JsonNode.Parse("""{"boundsPeriod":{"start":"2026-03-05"}}"""));

        DosagePhase phase = Assert.Single(WithTiming(timing).Prescription().Phases);

        Assert.Equal((ClinicalTime.On(new DateOnly(2026, 3, 5)), 3.5m), (phase.Start!.Value, phase.Frequency.NightsPerWeek));
    }

    [Theory]
    [InlineData("QOD", """{"frequency":1,"period":2,"periodUnit":"d"}""", true)]
    [InlineData("QD", """{"frequency":1,"period":2,"periodUnit":"d"}""", false)]
    [InlineData("AM", """{"frequency":1,"period":1,"periodUnit":"d"}""", false)]
    public void A_timing_code_and_its_structure_must_agree(string code, string repeat, bool agrees)
    {
        PrescriptionFact fact = WithTiming(Coded(code).With(t => t["repeat"] = JsonNode.Parse(repeat))).Prescription();

        Assert.Equal(agrees ? [] : [DosageDoubt.TextOnly], fact.Doubts);
    }

    [Fact]
    public void A_list_of_events_is_asked_about() => AssertTextOnly(WithTiming(new JsonObject { ["event"] = new JsonArray("2026-03-02") }));

    [Fact]
    public void Words_alone_are_asked_about() =>
        AssertTextOnly(FhirJson.MedicationRequest().With(o => o["dosageInstruction"] = new JsonArray(new JsonObject { ["text"] = "every other night" })));

    [Fact]
    public void No_dosage_at_all_is_asked_about() => AssertTextOnly(FhirJson.MedicationRequest().Without("dosageInstruction"));

    [Fact]
    public void As_needed_is_no_step()
    {
        JsonObject concept = FhirJson.MedicationRequest();
        concept.Dosage().Without("asNeededBoolean")["asNeededCodeableConcept"] = new JsonObject { ["text"] = "when oily" };

        Assert.Equal([DosageDoubt.AsNeeded], concept.Prescription().Doubts);
        Assert.Equal([DosageDoubt.AsNeeded], FhirJson.MedicationRequest().With(o => o.Dosage()["asNeededBoolean"] = true).Prescription().Doubts);
    }

    [Theory]
    [InlineData(0, "period")]
    [InlineData(-1, "period")]
    public void A_period_of_nothing_is_refused(int period, string member)
    {
        ResourceReading.Refused refused = FhirJson.MedicationRequest().With(o => o.Repeat()["period"] = period).Refused();

        Assert.Equal($"MedicationRequest.dosageInstruction[0].timing.repeat.{member}", refused.Path);
    }

    [Theory]
    [InlineData("""{"value":250,"unit":"mg","system":"http://unitsofmeasure.org","code":"mg"}""", 0.25)]
    [InlineData("""{"value":0.25,"unit":"g"}""", 0.25)]
    [InlineData("""{"value":0.5,"system":"http://unitsofmeasure.org","code":"{FTU}"}""", 0.25)]
    [InlineData("""{"value":2,"system":"https://clinic.example.org/units","code":"pea"}""", 0.5)]
    [InlineData("""{"value":1,"unit":"fingertip unit"}""", 0.5)]
    public void An_amount_is_taken_in_grams_milligrams_fingertip_units_and_mapped_units(string quantity, double grams) =>
        Assert.Equal((decimal)grams, Assert.Single(WithDose(quantity).Prescription().Phases).GramsPerApplication);

    [Theory]
    [InlineData("""{"value":0.25,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}""", "unit")]
    [InlineData("""{"value":0.25}""", "unit")]
    [InlineData("""{"value":0.25,"unit":"mg","system":"http://unitsofmeasure.org","code":"g"}""", "unit")]
    [InlineData("""{"value":0.25,"unit":"g","code":"g"}""", "unit")]
    [InlineData("""{"value":0,"unit":"g"}""", "value")]
    [InlineData("""{"value":-0.25,"unit":"g"}""", "value")]
    [InlineData("""{"value":0.0001,"unit":"mg"}""", "value")]
    [InlineData("""{"value":25000,"unit":"g"}""", "value")]
    [InlineData("""{"unit":"g"}""", "value")]
    [InlineData("""{"value":0.25,"comparator":"<","unit":"g"}""", "comparator")]
    public void An_amount_that_cannot_be_is_refused_where_it_stands(string quantity, string member) =>
        Assert.Equal($"MedicationRequest.dosageInstruction[0].doseAndRate[0].doseQuantity.{member}", WithDose(quantity).Refused().Path);

    [Fact]
    public void A_range_of_amounts_is_asked_about()
    {
        JsonObject order = FhirJson.MedicationRequest();
        JsonObject dose = (JsonObject)order.Dosage()["doseAndRate"]![0]!;
        dose.Without("doseQuantity")["doseRange"] = new JsonObject { ["low"] = FhirJson.Quantity(0.25m, "g"), ["high"] = FhirJson.Quantity(0.5m, "g") };

        AssertTextOnly(order);
    }

    [Fact]
    public void The_ordered_dose_stands_before_the_calculated_one()
    {
        JsonObject order = FhirJson.MedicationRequest();
        JsonArray doses = (JsonArray)order.Dosage()["doseAndRate"]!;
        doses[0]!["type"] = FhirJson.Concept("http://terminology.hl7.org/CodeSystem/dose-rate-type", "ordered");
        doses.Insert(0, new JsonObject
        {
            ["type"] = FhirJson.Concept("http://terminology.hl7.org/CodeSystem/dose-rate-type", "calculated"),
            ["doseQuantity"] = FhirJson.Quantity(0.3m, "g"),
        });

        Assert.Equal(0.25m, Assert.Single(order.Prescription().Phases).GramsPerApplication);
    }

    [Theory]
    [InlineData("73897004", "face")]
    [InlineData("68698007", "face")]
    [InlineData("43081002", "43081002")]
    [InlineData("74160004", "74160004")]
    [InlineData("41310005", "41310005")]
    public void The_area_is_the_face_or_the_code_of_another_place(string code, string area) =>
        Assert.Equal(area, FhirJson.MedicationRequest().With(o => o.Dosage()["site"] = FhirJson.Concept(FhirJson.Snomed, code)).Prescription().Area);

    [Fact]
    public void An_order_without_a_coded_place_is_for_the_face()
    {
        JsonObject order = FhirJson.MedicationRequest().With(o => o.Dosage()["site"] = new JsonObject { ["text"] = "back" });

        Assert.Equal("face", order.Prescription().Area);
        Assert.Equal("face", FhirJson.MedicationRequest().With(o => o.Dosage().Remove("site")).Prescription().Area);
    }

    [Fact]
    public void A_fault_in_the_dosage_does_not_keep_a_pause_or_an_end_from_being_read()
    {
        foreach ((string status, PrescriptionStatus expected) in new[]
        {
            ("on-hold", PrescriptionStatus.OnHold), ("stopped", PrescriptionStatus.Ended), ("completed", PrescriptionStatus.Ended),
            ("cancelled", PrescriptionStatus.NeverInForce), ("entered-in-error", PrescriptionStatus.Removed),
        })
        {
            PrescriptionFact fact = FhirJson.MedicationRequest(status: status).With(o => o.Dose()["value"] = -1).Prescription();

            Assert.Equal((expected, DosageDoubt.TextOnly), (fact.Status, Assert.Single(fact.Doubts)));
        }
    }

    [Fact]
    public void A_modifier_extension_of_the_dosage_is_refused()
    {
        JsonObject order = FhirJson.MedicationRequest().With(o =>
            o.Dosage()["modifierExtension"] = new JsonArray(new JsonObject { ["url"] = "https://example.org/x", ["valueBoolean"] = true }));

        Assert.Equal("MedicationRequest.dosageInstruction[0].modifierExtension", order.Refused().Path);
    }

    private static void AssertTextOnly(JsonObject order)
    {
        PrescriptionFact fact = order.Prescription();

        Assert.Equal([DosageDoubt.TextOnly], fact.Doubts);
        Assert.Empty(fact.Phases);
    }

    private static JsonObject WithRepeat(string repeat) => WithTiming(new JsonObject { ["repeat"] = JsonNode.Parse(repeat) });

    private static JsonObject WithTiming(JsonObject timing) => FhirJson.MedicationRequest().With(o => o.Dosage()["timing"] = timing);

    private static JsonObject WithDose(string quantity) =>
        FhirJson.MedicationRequest().With(o => o.Dosage()["doseAndRate"]![0]!["doseQuantity"] = JsonNode.Parse(quantity));

    private static JsonObject Coded(string code) =>
        new() { ["code"] = FhirJson.Concept("http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation", code) };
}
