using System.Globalization;
using System.Text.Json.Nodes;

namespace Titration.Integration.Tests;

/// <summary>What a clinician does to the Task of a proposal.</summary>
internal static class ClinicianAnswer
{
    public static bool IsProposal(JsonObject task) => task["code"]!["coding"]![0]!["code"]!.GetValue<string>() == "approve";

    /// <summary>Completes it with a decision, such as <c>approved</c>.</summary>
    public static JsonObject Complete(JsonObject task, string decision, DateTimeOffset at)
    {
        task["status"] = "completed";
        task["lastModified"] = Text(at);
        task["output"] = new JsonArray(new JsonObject
        {
            ["type"] = Concept("https://titration.example.org/fhir/CodeSystem/task-io", "decision"),
            ["valueCodeableConcept"] = Concept("https://titration.example.org/fhir/CodeSystem/approval-decision", decision),
        });
        return task;
    }

    public static JsonObject Reject(JsonObject task, DateTimeOffset at)
    {
        task["status"] = "rejected";
        task["lastModified"] = Text(at);
        task["statusReason"] = Concept("https://titration.example.org/fhir/CodeSystem/decline-reason", "clinical-judgement");
        return task;
    }

    private static JsonObject Concept(string system, string code) =>
        new() { ["coding"] = new JsonArray(new JsonObject { ["system"] = system, ["code"] = code }) };

    private static string Text(DateTimeOffset instant) => instant.ToString("yyyy-MM-ddTHH:mm:ssZ", CultureInfo.InvariantCulture);
}
