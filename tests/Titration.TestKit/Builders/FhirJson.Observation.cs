using System.Text.Json.Nodes;

namespace Titration.TestKit.Builders;

public static partial class FhirJson
{
    /// <summary>
    /// A complete check-in by the patient: every sign 0, no application missed, on 14 March 2026 in the evening.
    /// A null leaves its component out.
    /// </summary>
    /// <param name="id">Logical id.</param>
    /// <param name="patient">The patient's logical id.</param>
    /// <param name="version"><c>meta.versionId</c>; null leaves it out.</param>
    /// <param name="status">Such as <c>final</c>.</param>
    /// <param name="effective"><c>effectiveDateTime</c>.</param>
    /// <param name="lastUpdated">When the server stored it; as <paramref name="effective"/> where it is not said.</param>
    /// <param name="missed">Planned applications left out since the last check-in.</param>
    /// <param name="nightsApplied">Nights applied since the last check-in.</param>
    /// <param name="performer">Reference to the performer; the patient where it is not said.</param>
    /// <param name="basedOn">Logical id of the order it is about; null: it speaks to every course.</param>
    public static JsonObject CheckIn(
        string id = "obs-1",
        string patient = "p1",
        string? version = "1",
        string status = "final",
        string effective = "2026-03-14T19:30:00Z",
        string? lastUpdated = null,
        int? erythema = 0,
        int? scaling = 0,
        int? dryness = 0,
        int? burning = 0,
        int? pruritus = 0,
        int? missed = 0,
        int? nightsApplied = null,
        string? performer = null,
        string? basedOn = null)
    {
        JsonArray components = [];
        foreach ((string code, int? value) in new (string, int?)[]
        {
            ("erythema", erythema), ("scaling", scaling), ("dryness", dryness), ("burning", burning), ("pruritus", pruritus),
            ("missed-applications", missed), ("nights-applied", nightsApplied),
        })
        {
            if (value is not null)
            {
                components.Add(Component(code, "valueInteger", value));
            }
        }

        JsonObject checkIn = Observation("checkin-panel", null, null, id, patient, version, status, effective, lastUpdated, performer, basedOn);
        return components.Count == 0 ? checkIn : checkIn.With(c => c["component"] = components);
    }

    /// <summary>A single observation, such as <c>Observation("facial-swelling", "valueBoolean", true)</c>.</summary>
    /// <param name="code">A code of our tolerability code system.</param>
    /// <param name="member">The value's member, such as <c>valueBoolean</c>; null leaves the value out.</param>
    /// <param name="value">The value.</param>
    public static JsonObject Observation(
        string code,
        string? member,
        JsonNode? value,
        string id = "obs-1",
        string patient = "p1",
        string? version = "1",
        string status = "final",
        string effective = "2026-03-14T19:30:00Z",
        string? lastUpdated = null,
        string? performer = null,
        string? basedOn = null)
    {
        JsonObject observation = Resource("Observation", id, version, lastUpdated ?? effective);
        observation["status"] = status;
        observation["code"] = Concept(Tolerability, code);
        observation["subject"] = Reference($"Patient/{patient}");
        observation["effectiveDateTime"] = effective;
        observation["performer"] = new JsonArray(Reference(performer ?? $"Patient/{patient}"));
        if (member is not null)
        {
            observation[member] = value;
        }

        return basedOn is null ? observation : observation.With(o => o["basedOn"] = new JsonArray(Reference($"MedicationRequest/{basedOn}")));
    }

    /// <summary>One component of a panel.</summary>
    public static JsonObject Component(string code, string member, JsonNode? value) =>
        new() { ["code"] = Concept(Tolerability, code), [member] = value };

    /// <summary>Adds a component to a panel.</summary>
    public static JsonObject Adding(this JsonObject panel, JsonObject component)
    {
        ((JsonArray)panel["component"]!).Add(component);
        return panel;
    }
}
