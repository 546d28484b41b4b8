using System.Globalization;
using System.Text.Json.Nodes;

namespace Titration.TestKit.Builders;

/// <summary>What a clinician does to the Task of a proposal.</summary>
public static class ClinicianAnswer
{
    /// <summary>Whether the Task asks for an approval.</summary>
    public static bool IsProposal(JsonObject task) => task["code"]!["coding"]![0]!["code"]!.GetValue<string>() == "approve";

    /// <summary>Completes it with a decision, such as <c>approved</c>.</summary>
    public static JsonObject Complete(JsonObject task, string decision, DateTimeOffset at)
    {
        task["status"] = "completed";
        task["lastModified"] = Text(at);
        task["output"] = new JsonArray(new JsonObject
        {
            ["type"] = FhirJson.Concept("https://titration.example.org/fhir/CodeSystem/task-io", "decision"),
            ["valueCodeableConcept"] = FhirJson.Concept("https://titration.example.org/fhir/CodeSystem/approval-decision", decision),
        });
        return task;
    }

    /// <summary>Declines it.</summary>
    public static JsonObject Reject(JsonObject task, DateTimeOffset at)
    {
        task["status"] = "rejected";
        task["lastModified"] = Text(at);
        task["statusReason"] = FhirJson.Concept("https://titration.example.org/fhir/CodeSystem/decline-reason", "clinical-judgement");
        return task;
    }

    // With milliseconds: cut to the second an answer could precede its Task, which R4 (inv-1) forbids.
    private static string Text(DateTimeOffset instant) => instant.ToString("yyyy-MM-ddTHH:mm:ss.fffZ", CultureInfo.InvariantCulture);
}
