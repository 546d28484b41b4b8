using System.Globalization;
using System.Text.Json.Nodes;

namespace Titration.Sandbox.Clinic;

/// <summary>FHIR resources as the invented clinic's systems write them.</summary>
internal static class ClinicResources
{
    public const string Organization = "Organization/harbour-road";

    private const string Tolerability = "https://titration.example.org/fhir/CodeSystem/tolerability";
    private static readonly string[] Signs = ["erythema", "scaling", "dryness", "burning"];

    public static JsonObject Clinic() => new() { ["resourceType"] = "Organization", ["id"] = "harbour-road", ["active"] = true, ["name"] = "Harbour Road Skin Clinic (invented)" };

    public static JsonObject Role(Prescriber prescriber) => new()
    {
        ["resourceType"] = "PractitionerRole",
        ["id"] = prescriber.Id,
        ["active"] = true,
        ["organization"] = Reference(Organization),
    };

    public static JsonObject Patient(PatientStory story) => new()
    {
        ["resourceType"] = "Patient",
        ["id"] = story.Id,
        ["active"] = true,
        ["birthDate"] = $"{story.BirthYear}-04-12",
    };

    /// <param name="id">Logical id.</param>
    /// <param name="story">Whose.</param>
    /// <param name="product">Of what.</param>
    /// <param name="dosage">The dosage instruction.</param>
    /// <param name="authoredOn">When.</param>
    /// <param name="prior">The order that it replaces; null for the first.</param>
    public static JsonObject Order(string id, PatientStory story, InventedProduct product, JsonNode dosage, DateTimeOffset authoredOn, string? prior)
    {
        string strength = product.StrengthPercent.ToString("0.###", CultureInfo.InvariantCulture);
        JsonObject order = new()
        {
            ["resourceType"] = "MedicationRequest",
            ["id"] = id,
            ["status"] = "active",
            ["intent"] = "order",
            ["medicationCodeableConcept"] = new JsonObject
            {
                ["coding"] = new JsonArray(Coding("http://www.whocc.no/atc", product.AtcCode, product.Ingredient)),
                ["text"] = $"{product.Ingredient} {strength} % cream",
            },
            ["subject"] = Reference($"Patient/{story.Id}"),
            ["authoredOn"] = Instant(authoredOn),
            ["requester"] = Reference(story.Prescriber.Reference),
            ["dosageInstruction"] = new JsonArray(dosage.DeepClone()),
            ["dispenseRequest"] = new JsonObject { ["numberOfRepeatsAllowed"] = story.Supply.Repeats, ["quantity"] = Quantity(story.Supply.Grams, "g") },
        };
        if (prior is not null)
        {
            order["priorPrescription"] = Reference($"MedicationRequest/{prior}");
        }

        return order;
    }

    public static JsonObject Dosage(int nights, int days, decimal grams) => new()
    {
        ["text"] = nights == 1 && days == 1 ? "to the face every night" : $"to the face, {nights} in {days} nights",
        ["timing"] = new JsonObject
        {
            ["repeat"] = new JsonObject { ["frequency"] = nights, ["period"] = days, ["periodUnit"] = "d", ["when"] = new JsonArray("HS") },
        },
        ["asNeededBoolean"] = false,
        ["site"] = new JsonObject { ["coding"] = new JsonArray(Coding("http://snomed.info/sct", "73897004", "Skin structure of face")) },
        ["doseAndRate"] = new JsonArray(new JsonObject { ["doseQuantity"] = Quantity(grams, "g") }),
    };

    public static JsonObject OralIsotretinoin(string id, string patient, DateTimeOffset authoredOn) => new()
    {
        ["resourceType"] = "MedicationRequest",
        ["id"] = id,
        ["status"] = "active",
        ["intent"] = "order",
        ["medicationCodeableConcept"] = new JsonObject
        {
            ["coding"] = new JsonArray(Coding("http://www.whocc.no/atc", "D10BA01", "isotretinoin")),
            ["text"] = "isotretinoin capsules",
        },
        ["subject"] = Reference($"Patient/{patient}"),
        ["authoredOn"] = Instant(authoredOn),
        ["dosageInstruction"] = new JsonArray(new JsonObject { ["text"] = "one capsule a day" }),
    };

    public static JsonObject CheckIn(string id, PatientStory story, string order, DateTimeOffset at, int[] grades, int? nightsApplied)
    {
        JsonArray components = [.. Signs.Select((sign, i) => Component(sign, grades[i]))];
        if (nightsApplied is { } nights)
        {
            components.Add(Component("nights-applied", nights));
        }

        JsonObject panel = Observation(id, story, "checkin-panel", at, byClinician: false);
        panel["basedOn"] = new JsonArray(Reference($"MedicationRequest/{order}"));
        panel["component"] = components;
        return panel;
    }

    public static JsonObject Single(string id, PatientStory story, string code, object? value, DateTimeOffset at, bool byClinician)
    {
        if (code == "pregnancy")
        {
            JsonObject status = Observation(id, story, code, at, byClinician);
            status["code"] = new JsonObject { ["coding"] = new JsonArray(Coding("http://loinc.org", "82810-3", "Pregnancy status")) };
            status["valueCodeableConcept"] = new JsonObject { ["coding"] = new JsonArray(Coding("http://loinc.org", value is true ? "LA15173-0" : "LA26683-5", null)) };
            return status;
        }

        JsonObject observation = Observation(id, story, code, at, byClinician);
        if (value is string answer)
        {
            observation["valueCodeableConcept"] = new JsonObject { ["coding"] = new JsonArray(Coding(Tolerability, answer, null)) };
        }
        else
        {
            observation["valueBoolean"] = value is true;
        }

        return observation;
    }

    /// <summary>The output of a Task by which a clinician approves a proposal.</summary>
    public static JsonObject Approval() => new()
    {
        ["type"] = new JsonObject { ["coding"] = new JsonArray(Coding("https://titration.example.org/fhir/CodeSystem/task-io", "decision", null)) },
        ["valueCodeableConcept"] = new JsonObject
        {
            ["coding"] = new JsonArray(Coding("https://titration.example.org/fhir/CodeSystem/approval-decision", "approved", "Approved")),
        },
    };

    /// <summary>Why a clinician declined.</summary>
    public static JsonObject Reason() => new()
    {
        ["coding"] = new JsonArray(Coding("https://titration.example.org/fhir/CodeSystem/decline-reason", "clinical-judgement", "Clinical judgement")),
    };

    /// <summary>The check-in with its first grade one higher.</summary>
    public static JsonObject Worse(JsonObject checkIn)
    {
        JsonObject amended = With(checkIn, "amended");
        JsonNode redness = amended["component"]![0]!;
        redness["valueInteger"] = Math.Min(3, redness["valueInteger"]!.GetValue<int>() + 1);
        return amended;
    }

    public static JsonObject With(JsonObject resource, string status)
    {
        JsonObject changed = resource.DeepClone().AsObject();
        changed["status"] = status;
        return changed;
    }

    public static string Instant(DateTimeOffset at) => at.UtcDateTime.ToString("yyyy-MM-dd'T'HH:mm:ss'Z'", CultureInfo.InvariantCulture);

    private static JsonObject Observation(string id, PatientStory story, string code, DateTimeOffset at, bool byClinician) => new()
    {
        ["resourceType"] = "Observation",
        ["id"] = id,
        ["status"] = "final",
        ["code"] = new JsonObject { ["coding"] = new JsonArray(Coding(Tolerability, code, null)) },
        ["subject"] = Reference($"Patient/{story.Id}"),
        ["effectiveDateTime"] = Instant(at),
        ["performer"] = new JsonArray(Reference(byClinician ? story.Prescriber.Reference : $"Patient/{story.Id}")),
    };

    private static JsonObject Component(string code, int value) => new()
    {
        ["code"] = new JsonObject { ["coding"] = new JsonArray(Coding(Tolerability, code, null)) },
        ["valueInteger"] = value,
    };

    private static JsonObject Coding(string system, string code, string? display)
    {
        JsonObject coding = new() { ["system"] = system, ["code"] = code };
        if (display is not null)
        {
            coding["display"] = display;
        }

        return coding;
    }

    private static JsonObject Quantity(decimal value, string unit) =>
        new() { ["value"] = value, ["unit"] = unit, ["system"] = "http://unitsofmeasure.org", ["code"] = unit };

    private static JsonObject Reference(string reference) => new() { ["reference"] = reference };
}
