using System.Text.Json.Nodes;

namespace Titration.TestKit.Builders;

public static partial class FhirJson
{
    /// <summary>
    /// An active order for tretinoin 0.025 % cream: 0.25 g to the face at bedtime on alternate nights, 20 g and two repeats,
    /// written on 1 March 2026 at 10:00 UTC.
    /// </summary>
    /// <param name="id">Logical id.</param>
    /// <param name="patient">The patient's logical id.</param>
    /// <param name="version"><c>meta.versionId</c>; null leaves it out.</param>
    /// <param name="status">Such as <c>active</c>.</param>
    /// <param name="intent">Such as <c>order</c>.</param>
    /// <param name="authoredOn">When the prescriber wrote it.</param>
    /// <param name="lastUpdated">When the server stored it; as <paramref name="authoredOn"/> where it is not said.</param>
    /// <param name="atc">The product's ATC code.</param>
    /// <param name="product">The product in words, where the strength stands.</param>
    /// <param name="frequency">Applications in the period.</param>
    /// <param name="period">The period in days.</param>
    /// <param name="grams">Grams per application.</param>
    /// <param name="start"><c>boundsPeriod.start</c>; null leaves it out.</param>
    /// <param name="prior">Logical id of the order that this one replaces.</param>
    /// <param name="requester">Reference to the prescriber.</param>
    public static JsonObject MedicationRequest(
        string id = "rx-1",
        string patient = "p1",
        string? version = "1",
        string status = "active",
        string intent = "order",
        string authoredOn = "2026-03-01T10:00:00Z",
        string? lastUpdated = null,
        string atc = "D10AD01",
        string product = "Tretinoin 0.025 % cream",
        int frequency = 1,
        decimal period = 2,
        decimal grams = 0.25m,
        string? start = null,
        string? prior = null,
        string requester = "PractitionerRole/role-1")
    {
        JsonObject order = Resource("MedicationRequest", id, version, lastUpdated ?? authoredOn);
        order["status"] = status;
        order["intent"] = intent;
        order["medicationCodeableConcept"] = Concept(Atc, atc, product);
        order["subject"] = Reference($"Patient/{patient}");
        order["authoredOn"] = authoredOn;
        order["requester"] = Reference(requester);
        order["dosageInstruction"] = new JsonArray(Dosage(frequency, period, grams, start));
        order["dispenseRequest"] = new JsonObject { ["numberOfRepeatsAllowed"] = 2, ["quantity"] = Quantity(20, "g") };
        return prior is null ? order : order.With(o => o["priorPrescription"] = Reference($"MedicationRequest/{prior}"));
    }

    /// <summary>A dosage: so many applications at bedtime in so many days, so many grams each, to the face.</summary>
    public static JsonObject Dosage(int frequency = 1, decimal period = 2, decimal grams = 0.25m, string? start = null)
    {
        JsonObject repeat = new() { ["frequency"] = frequency, ["period"] = period, ["periodUnit"] = "d", ["when"] = new JsonArray("HS") };
        if (start is not null)
        {
            repeat["boundsPeriod"] = new JsonObject { ["start"] = start };
        }

        return new JsonObject
        {
            ["timing"] = new JsonObject { ["repeat"] = repeat },
            ["asNeededBoolean"] = false,
            ["site"] = Concept(Snomed, "73897004"),
            ["doseAndRate"] = new JsonArray(new JsonObject { ["doseQuantity"] = Quantity(grams, "g") }),
        };
    }

    /// <summary>The only dosage of an order, to be changed in place.</summary>
    public static JsonObject Dosage(this JsonObject order) => (JsonObject)order["dosageInstruction"]![0]!;

    /// <summary>The <c>timing.repeat</c> of the only dosage of an order, to be changed in place.</summary>
    public static JsonObject Repeat(this JsonObject order) => (JsonObject)order.Dosage()["timing"]!["repeat"]!;

    /// <summary>The <c>doseQuantity</c> of the only dosage of an order, to be changed in place.</summary>
    public static JsonObject Dose(this JsonObject order) => (JsonObject)order.Dosage()["doseAndRate"]![0]!["doseQuantity"]!;
}
