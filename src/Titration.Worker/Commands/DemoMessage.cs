using System.Text.Json;
using Titration.Protocol.Communications;
using Titration.Protocol.Rules;

namespace Titration.Worker.Commands;

/// <summary>A CommunicationRequest in the demo's FHIR store, as its versions tell it.</summary>
internal sealed class DemoMessage(JsonElement first)
{
    public string Patient { get; } = IdIn(first.GetProperty("subject"));

    public bool ToPatient { get; } = first.GetProperty("recipient")[0].GetProperty("reference").GetString() == first.GetProperty("subject").GetProperty("reference").GetString();

    public string Category { get; } = CodeIn(first.GetProperty("category")[0]);

    public string Rule { get; } = CodeIn(first.GetProperty("reasonCode")[0]);

    /// <summary>The observations that it rests on, in their exact versions.</summary>
    public IReadOnlyList<string> Evidence { get; } =
        first.TryGetProperty("reasonReference", out JsonElement all)
            ? [.. all.EnumerateArray().Select(r => r.GetProperty("reference").GetString()!).Order(StringComparer.Ordinal)]
            : [];

    /// <summary>When it was decided.</summary>
    public DateTimeOffset AuthoredOn { get; } = first.GetProperty("authoredOn").GetDateTimeOffset();

    public bool IsProposal { get; } = first.GetProperty("status").GetString() == "draft";

    /// <summary>The same in the core's own evaluation of that instant; null where that knows no such communication.</summary>
    public CommunicationIntent? Intent { get; set; }

    /// <summary>Of which course; null: of none.</summary>
    public Guid? Course { get; set; }

    public string Status { get; private set; } = "";

    /// <summary>When it was first for the patient's or the clinic's eyes; null: never.</summary>
    public DateTimeOffset? ActiveFrom { get; private set; }

    /// <summary>Status of the Task beside it; null where there is none.</summary>
    public string? TaskStatus { get; set; }

    /// <summary>A clinician's approval was seen.</summary>
    public bool Approved { get; set; }

    /// <summary>It was found to stand without grounds; said once.</summary>
    public bool WasBaseless { get; set; }

    public bool IsOpen => Status is "draft" or "active";

    public bool IsStepUp => IsProposal && Rule == RuleIds.Order;

    /// <summary>What stops treatment or makes it gentler: no limit holds it up.</summary>
    public bool IsSafety => Intent?.IsSafety ?? false;

    public void Turn(string status, DateTimeOffset at)
    {
        Status = status;
        if (status == "active")
        {
            ActiveFrom ??= at;
        }
    }

    public static string IdIn(JsonElement reference) => reference.GetProperty("reference").GetString()!.Split('/')[1];

    private static string CodeIn(JsonElement concept) => concept.GetProperty("coding")[0].GetProperty("code").GetString()!;
}
