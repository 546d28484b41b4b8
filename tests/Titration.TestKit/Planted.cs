using System.Text;
using System.Text.Json.Nodes;
using Titration.TestKit.Builders;

namespace Titration.TestKit;

/// <summary>An invented patient all of whose words hold one mark, so that a leak can be found by it wherever it comes out.</summary>
/// <param name="mark">Lower-case letters and digits that occur nowhere else.</param>
public sealed class Planted(string mark)
{
    private readonly ClinicDays _days = new(new DateTimeOffset(TimeProvider.System.GetUtcNow().AddDays(-14).Date, TimeSpan.Zero));
    private int _planted;

    public string Mark => mark;

    /// <summary>Whose course comes to a step up today.</summary>
    public string Steady => $"{mark}steady";

    /// <summary>Who reports a swelling.</summary>
    public string Swollen => $"{mark}swollen";

    /// <summary>The patients, for the FHIR server.</summary>
    public IEnumerable<JsonObject> Patients() => [Patient(Steady), Patient(Swollen)];

    /// <summary>What leads to a proposal and to a stat referral.</summary>
    public IEnumerable<JsonObject> Resources() =>
    [
        Plant(_days.Order(Steady)), Plant(_days.CheckIn(Steady, 5, applied: 3)), Plant(_days.CheckIn(Steady, 13, applied: 4)),
        Plant(_days.Order(Swollen)), Plant(_days.Swelling(Swollen, 5)),
    ];

    public JsonObject Order(string patient) => Plant(_days.Order(patient));

    /// <summary>A clinician's no to a Task.</summary>
    public JsonObject Rejected(JsonObject task)
    {
        JsonObject answer = Plant(task.DeepClone().AsObject());
        answer["status"] = "rejected";
        answer["statusReason"] = new JsonObject { ["text"] = Word() };
        return answer;
    }

    /// <summary>What cannot be read, in each of the ways in which something is not read.</summary>
    public IEnumerable<byte[]> Broken()
    {
        byte[] whole = Plant(_days.CheckIn($"{mark}broken", 5, applied: 3)).ToUtf8();
        yield return whole[..^30];
        yield return Encoding.UTF8.GetBytes($$"""{"resourceType":"{{Word()}}","id":"{{Word()}}"}""");
        yield return Encoding.UTF8.GetBytes($"{Word()} is no JSON");
        yield return Encoding.UTF8.GetBytes($$"""{"{{Word()}}":{"{{Word()}}":1,"{{Word()}}":1} }""");
        yield return Changed(r => r["effectiveDateTime"] = Word());
        yield return Changed(r => r["status"] = Word());
        yield return Changed(r => r[Word()] = Word());
        yield return Changed(r => r["valueInteger"] = Word());
        yield return Changed(r => r.Remove("subject"));
        yield return Changed(r => r["subject"] = new JsonObject { ["reference"] = $"Patient/{Word()}/{Word()}" });
        yield return Changed(r => r["code"] = FhirJson.Concept($"https://{Word()}.example.org", Word(), Word()));
        yield return Changed(r => r["effectiveDateTime"] = "2999-01-01T00:00:00Z");
        yield return _days.Order($"{mark}unknown").With(o => o["medicationCodeableConcept"] = FhirJson.Concept($"https://{Word()}.example.org", Word(), Word())).ToUtf8();
        yield return _days.Order($"{mark}elsewhere").With(o =>
        {
            o.Remove("medicationCodeableConcept");
            o["medicationReference"] = new JsonObject { ["reference"] = $"Medication/{Word()}", ["display"] = Word() };
        }).ToUtf8();
        yield return FhirJson.Deletion("Observation", Word()).ToUtf8();
        yield return FhirJson.Deletion(Word(), Word()).ToUtf8();
        yield return Encoding.UTF8.GetBytes($$"""{"resourceType":"Bundle","id":"{{Word()}}","type":"history","entry":[{"fullUrl":"https://{{Word()}}.example.org/Observation/{{Word()}}"}]}""");

        byte[] Changed(Action<JsonObject> change) => Plant(_days.CheckIn($"{mark}broken", 5, applied: 3)).With(change).ToUtf8();
    }

    /// <summary>Whether the mark occurs, and where it does some of what stands around it.</summary>
    public static string? Around(string text, string mark)
    {
        int at = text.IndexOf(mark, StringComparison.OrdinalIgnoreCase);
        return at < 0 ? null : text[Math.Max(0, at - 200)..Math.Min(text.Length, at + 100)];
    }

    /// <summary>A word that occurs once: where it comes out says which field it was in.</summary>
    private string Word() => $"{mark}{Interlocked.Increment(ref _planted)}";

    private JsonObject Patient(string id) => Plant(FhirJson.Patient(id)).With(p =>
    {
        p["name"] = new JsonArray(new JsonObject { ["family"] = Word(), ["given"] = new JsonArray(Word()), ["text"] = Word() });
        p["telecom"] = new JsonArray(new JsonObject { ["system"] = "email", ["value"] = $"{Word()}@example.org" });
        p["address"] = new JsonArray(new JsonObject { ["line"] = new JsonArray(Word()), ["city"] = Word() });
        p["contact"] = new JsonArray(new JsonObject { ["name"] = new JsonObject { ["text"] = Word() } });
    });

    /// <summary>Adds to a resource every text that a clinic's system might, at every level.</summary>
    private JsonObject Plant(JsonObject resource)
    {
        string type = resource["resourceType"]!.GetValue<string>();
        resource["text"] = new JsonObject { ["status"] = "additional", ["div"] = $"<div xmlns=\"http://www.w3.org/1999/xhtml\">{Word()}</div>" };
        JsonArray identifiers = resource["identifier"] as JsonArray ?? [];
        identifiers.Add(new JsonObject { ["system"] = "https://clinic.example.org/numbers", ["value"] = Word() });
        resource["identifier"] = identifiers;
        resource["meta"]!["source"] = $"https://clinic.example.org/{Word()}";
        resource["extension"] = new JsonArray(new JsonObject { ["url"] = $"https://clinic.example.org/{Word()}", ["valueString"] = Word() });
        if (type != "Patient")
        {
            resource["note"] = new JsonArray(new JsonObject { ["text"] = Word(), ["authorString"] = Word() });
        }

        foreach (string member in new[] { "subject", "requester", "for", "owner" })
        {
            if (resource[member] is JsonObject reference)
            {
                reference["display"] = Word();
            }
        }

        if (type == "MedicationRequest")
        {
            resource.Dosage()["patientInstruction"] = Word();
            resource.Dosage()["additionalInstruction"] = new JsonArray(new JsonObject { ["text"] = Word() });
        }

        return resource;
    }
}
