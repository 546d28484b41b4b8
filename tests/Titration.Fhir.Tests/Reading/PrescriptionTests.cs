using System.Text.Json.Nodes;
using Titration.Fhir.Reading;
using Titration.Protocol.Facts;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

public sealed class PrescriptionTests
{
    [Fact]
    public void An_order_says_who_what_when_and_how_much_is_dispensed()
    {
        PrescriptionFact fact = FhirJson.MedicationRequest(prior: "rx-0").Prescription();

        Assert.Equal(("p1", "face", "rx-0", "PractitionerRole/role-1"), (fact.Patient, fact.Area, fact.PriorPrescription, fact.Prescriber));
        Assert.Equal((20m, 3), (fact.GramsPerFill, fact.Fills));
        Assert.Equal(ClinicalTime.At(new DateTimeOffset(2026, 3, 1, 10, 0, 0, TimeSpan.Zero)), fact.AuthoredOn);
        Assert.Equal(("MedicationRequest", "rx-1", "1"), (fact.Source.Type, fact.Source.Id, fact.Source.VersionId));
        Assert.Equal(64, fact.Source.ContentHash.Length);
    }

    [Theory]
    [InlineData("active", "order", PrescriptionStatus.Active)]
    [InlineData("active", "original-order", PrescriptionStatus.Active)]
    [InlineData("active", "reflex-order", PrescriptionStatus.Active)]
    [InlineData("active", "filler-order", PrescriptionStatus.Active)]
    [InlineData("active", "instance-order", PrescriptionStatus.Active)]
    [InlineData("active", "plan", PrescriptionStatus.NeverInForce)]
    [InlineData("active", "proposal", PrescriptionStatus.NeverInForce)]
    [InlineData("active", "option", PrescriptionStatus.NeverInForce)]
    [InlineData("draft", "order", PrescriptionStatus.NeverInForce)]
    [InlineData("unknown", "order", PrescriptionStatus.NeverInForce)]
    [InlineData("cancelled", "order", PrescriptionStatus.NeverInForce)]
    [InlineData("on-hold", "order", PrescriptionStatus.OnHold)]
    [InlineData("on-hold", "plan", PrescriptionStatus.NeverInForce)]
    [InlineData("stopped", "order", PrescriptionStatus.Ended)]
    [InlineData("completed", "order", PrescriptionStatus.Ended)]
    [InlineData("entered-in-error", "order", PrescriptionStatus.Removed)]
    [InlineData("entered-in-error", "plan", PrescriptionStatus.Removed)]
    public void Only_an_active_order_is_treatment(string status, string intent, PrescriptionStatus expected) =>
        Assert.Equal(expected, FhirJson.MedicationRequest(status: status, intent: intent).Prescription().Status);

    [Fact]
    public void An_order_not_to_take_something_is_never_in_force() =>
        Assert.Equal(PrescriptionStatus.NeverInForce, FhirJson.MedicationRequest().With(o => o["doNotPerform"] = true).Prescription().Status);

    [Fact]
    public void Without_a_date_of_its_own_an_order_dates_from_its_start()
    {
        PrescriptionFact fact = FhirJson.MedicationRequest(start: "2026-03-03").Without("authoredOn").Prescription();

        Assert.Equal(ClinicalTime.On(new DateOnly(2026, 3, 3)), fact.AuthoredOn);
    }

    [Theory]
    [InlineData(null)]
    [InlineData("2026")]
    [InlineData("2026-03")]
    [InlineData("1066-10-14")]
    public void An_active_order_needs_a_date_to_the_day(string? authoredOn)
    {
        JsonObject order = FhirJson.MedicationRequest(authoredOn: authoredOn ?? "2026-03-01", lastUpdated: "2026-03-01T10:00:00Z");
        if (authoredOn is null)
        {
            order.Remove("authoredOn");
        }

        Assert.Equal("MedicationRequest.authoredOn", order.Refused().Path);
    }

    [Fact]
    public void An_order_that_is_over_may_be_dated_by_the_server() =>
        Assert.Equal(PrescriptionStatus.Ended, FhirJson.MedicationRequest(status: "stopped").Without("authoredOn").Prescription().Status);

    [Theory]
    [InlineData("""{"reference":"Group/g1"}""")]
    [InlineData("""{"display":"Mara Quill"}""")]
    [InlineData("""{"reference":"#p"}""")]
    [InlineData("""{"reference":"Patient?identifier=1"}""")]
    public void The_subject_must_be_a_Patient_by_id(string subject)
    {
        ResourceReading.Refused refused = FhirJson.MedicationRequest().With(o => o["subject"] = JsonNode.Parse(subject)).Refused();

        Assert.Equal("MedicationRequest.subject.reference", refused.Path);
        Assert.DoesNotContain("Quill", refused.Problem, StringComparison.Ordinal);
    }

    [Fact]
    public void An_absolute_reference_gives_the_same_patient() =>
        Assert.Equal("p1", FhirJson.MedicationRequest().With(o => o["subject"]!["reference"] = "https://fhir.example.org/r4/Patient/p1/_history/2").Prescription().Patient);

    [Fact]
    public void An_order_entered_in_error_is_removed_even_when_it_says_nothing_else()
    {
        JsonObject order = FhirJson.MedicationRequest(status: "entered-in-error").With(o => o["subject"] = new JsonObject { ["display"] = "nobody" });

        Assert.Equal("rx-1", Assert.IsType<ResourceReading.Deleted>(order.Read()).Header.Id);
    }

    [Theory]
    [InlineData("""{"value":20000,"unit":"mg"}""", 20)]
    [InlineData("""{"value":2,"system":"https://clinic.example.org/units","code":"tube"}""", 40)]
    [InlineData("""{"value":1,"unit":"tube"}""", null)]
    [InlineData("""{"value":-1,"unit":"g"}""", null)]
    public void The_dispensed_amount_is_known_or_not_but_refuses_nothing(string quantity, int? grams) =>
        Assert.Equal(grams, (int?)FhirJson.MedicationRequest().With(o => o["dispenseRequest"]!["quantity"] = JsonNode.Parse(quantity)).Prescription().GramsPerFill);

    [Fact]
    public void Unknown_modifiers_are_refused()
    {
        JsonArray modifier = [new JsonObject { ["url"] = "https://example.org/x", ["valueBoolean"] = true }];

        Assert.Equal("MedicationRequest.modifierExtension", FhirJson.MedicationRequest().With(o => o["modifierExtension"] = modifier).Refused().Path);
        Assert.Equal("MedicationRequest.implicitRules", FhirJson.MedicationRequest().With(o => o["implicitRules"] = "https://example.org/r").Refused().Path);
    }
}
