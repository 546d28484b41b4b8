using System.Text.Json.Nodes;
using Titration.Protocol.Facts;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

public sealed class RampTests
{
    [Fact]
    public void Instructions_with_starts_are_phases_in_time_order()
    {
        PrescriptionFact fact = Order(
            FhirJson.Dosage(period: 1, start: "2026-03-29"),
            FhirJson.Dosage(period: 2, start: "2026-03-01")).Prescription();

        Assert.Equal(
            [(ClinicalTime.On(new(2026, 3, 1)), 3.5m), (ClinicalTime.On(new(2026, 3, 29)), 7m)],
            fact.Phases.Select(p => (p.Start!.Value, p.Frequency.NightsPerWeek)));
        Assert.Equal(ClinicalTime.On(new(2026, 3, 1)), fact.Start);
    }

    [Fact]
    public void A_duration_says_when_the_next_in_sequence_begins()
    {
        JsonObject first = Sequenced(1, FhirJson.Dosage(period: 2)).With(d => Repeat(d)["boundsDuration"] = Duration(2, "wk"));
        JsonObject second = Sequenced(2, FhirJson.Dosage(period: 1));

        PrescriptionFact fact = Order(second, first).Prescription();

        Assert.Equal([null, ClinicalTime.At(DateTimeOffset.Parse("2026-03-15T10:00:00Z", null))], fact.Phases.Select(p => p.Start));
    }

    [Fact]
    public void A_period_that_ends_on_a_day_includes_it()
    {
        JsonObject first = Sequenced(1, FhirJson.Dosage(period: 2)).With(d => Repeat(d)["boundsPeriod"] = Period("2026-03-01", "2026-03-14"));

        PrescriptionFact fact = Order(first, Sequenced(2, FhirJson.Dosage(period: 1))).Prescription();

        Assert.Equal(ClinicalTime.On(new(2026, 3, 15)), fact.Phases[1].Start);
    }

    [Fact]
    public void What_is_not_certain_is_asked_about()
    {
        JsonObject[][] unclear =
        [
            [FhirJson.Dosage(period: 2), FhirJson.Dosage(period: 1)],
            [Sequenced(1, FhirJson.Dosage(period: 2)), Sequenced(2, FhirJson.Dosage(period: 1))],
            [Sequenced(1, FhirJson.Dosage(start: "2026-03-01")), Sequenced(1, FhirJson.Dosage(period: 1, start: "2026-03-15"))],
            [Sequenced(1, FhirJson.Dosage(start: "2026-03-15")), Sequenced(2, FhirJson.Dosage(period: 1, start: "2026-03-01"))],
            [FhirJson.Dosage(start: "2026-03-01"), FhirJson.Dosage(period: 1, start: "2026-03-01")],
            [Gap(), Sequenced(2, FhirJson.Dosage(period: 1, start: "2026-04-15"))],
            [FhirJson.Dosage(start: "2026-03-01"), FhirJson.Dosage(period: 1, start: "2026-03-15").With(d => d["site"] = FhirJson.Concept(FhirJson.Snomed, "43081002"))],
            [FhirJson.Dosage(start: "2026-03-01"), new JsonObject { ["text"] = "then every night" }],
        ];
        foreach (JsonObject[] instructions in unclear)
        {
            PrescriptionFact fact = Order(instructions).Prescription();

            Assert.Equal([DosageDoubt.TextOnly], fact.Doubts);
            Assert.Empty(fact.Phases);
        }
    }

    [Fact]
    public void A_start_coarser_than_a_day_is_refused() =>
        Assert.Equal(
            "MedicationRequest.dosageInstruction[0].timing.repeat.boundsPeriod.start",
            FhirJson.MedicationRequest(start: "2026-03").Refused().Path);

    private static JsonObject Gap() => Sequenced(1, FhirJson.Dosage()).With(d => Repeat(d)["boundsPeriod"] = Period("2026-03-01", "2026-03-14"));

    private static JsonObject Order(params JsonObject[] dosages) =>
        FhirJson.MedicationRequest().With(o => o["dosageInstruction"] = new JsonArray([.. dosages]));

    private static JsonObject Sequenced(int sequence, JsonObject dosage) => dosage.With(d => d["sequence"] = sequence);

    private static JsonObject Repeat(JsonObject dosage) => (JsonObject)dosage["timing"]!["repeat"]!;

    private static JsonObject Period(string start, string end) => new() { ["start"] = start, ["end"] = end };

    private static JsonObject Duration(int value, string code) => new() { ["value"] = value, ["system"] = FhirJson.Ucum, ["code"] = code };
}
