using System.Globalization;
using System.Text.Json;
using Titration.Fhir.Writing;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>What a Task of ours says that a clinician answered, or a CommunicationRequest of ours that somebody else ended.</summary>
/// <param name="Answer">The answer.</param>
/// <param name="At"><c>lastModified</c>, else <c>meta.lastUpdated</c>; null where neither is there.</param>
/// <param name="Reason">Code of the reason for declining; null where none is coded.</param>
/// <param name="ContentHash">SHA-256 of the canonical content.</param>
public sealed record OwnAnswer(TaskAnswer Answer, DateTimeOffset? At, string? Reason, string ContentHash);

/// <summary>Tells a Task or CommunicationRequest of ours from those of others, by its identifier.</summary>
internal static class OwnReader
{
    private const string Decision = "decision";

    public static ResourceReading Read(ReadingSource source, JsonElement resource, string identifierSystem)
    {
        foreach (JsonElement identifier in resource.Items("identifier"u8))
        {
            if (identifier.Text("system"u8) == identifierSystem && Guid.TryParseExact(identifier.Text("value"u8), "D", out Guid key))
            {
                return source.Header.Id is null
                    ? source.Refused($"{source.Header.Type}.id", "The logical id is needed.")
                    : source.Own(key, source.Header.Type == "Task" ? AnswerOf(source, resource) : CancellationOf(source, resource));
            }
        }

        return source.Skipped("It is not one that this service issued.");
    }

    /// <summary>
    /// Completed without a decision is not approved; rejected, failed or cancelled by somebody is declined. What we withdrew ourselves comes
    /// back as an echo and is no answer.
    /// </summary>
    private static OwnAnswer? AnswerOf(ReadingSource source, JsonElement task)
    {
        if (CodeOf(task, "businessStatus"u8) == "withdrawn")
        {
            return null;
        }

        TaskAnswer? answer = task.Text("status"u8) switch
        {
            "completed" => DecisionOf(task) switch { "approved" => TaskAnswer.Approved, "declined" => TaskAnswer.Declined, _ => TaskAnswer.Done },
            "rejected" or "failed" or "cancelled" or "entered-in-error" => TaskAnswer.Declined,
            "accepted" or "in-progress" or "on-hold" => TaskAnswer.InHand,
            _ => null,
        };
        DateTimeOffset? modified = DateTimeOffset.TryParse(
            task.Text("lastModified"u8), CultureInfo.InvariantCulture, DateTimeStyles.AssumeUniversal, out DateTimeOffset instant) ? instant : source.Header.LastUpdated;
        return answer is { } known ? new OwnAnswer(known, modified, CodeOf(task, "statusReason"u8), ContentHash.Of(task)) : null;
    }

    /// <summary>
    /// Revoked or entered in error by somebody else: declined. What we revoked ourselves carries a reason of our code system; one that was
    /// completed has simply been sent.
    /// </summary>
    private static OwnAnswer? CancellationOf(ReadingSource source, JsonElement request) =>
        request.Text("status"u8) is "revoked" or "entered-in-error" && !OurReason(request)
            ? new OwnAnswer(TaskAnswer.Declined, source.Header.LastUpdated, CodeOf(request, "statusReason"u8), ContentHash.Of(request))
            : null;

    private static bool OurReason(JsonElement request) => request.Member("statusReason"u8) is { ValueKind: JsonValueKind.Object } reason
        && reason.Items("coding"u8).Any(c => c.Text("system"u8) == OutgoingCodes.StatusReasonSystem);

    private static string? DecisionOf(JsonElement task)
    {
        foreach (JsonElement output in task.Items("output"u8))
        {
            if (CodeOf(output, "type"u8) == Decision)
            {
                return CodeOf(output, "valueCodeableConcept"u8) ?? output.Text("valueCode"u8) ?? output.Text("valueString"u8);
            }
        }

        return null;
    }

    /// <summary>The first code of a concept; its text where it has no code.</summary>
    private static string? CodeOf(JsonElement element, ReadOnlySpan<byte> member)
    {
        if (element.ValueKind != JsonValueKind.Object || !element.TryGetProperty(member, out JsonElement concept) || concept.ValueKind != JsonValueKind.Object)
        {
            return null;
        }

        foreach (JsonElement coding in concept.Items("coding"u8))
        {
            if (coding.Text("code"u8) is { } code)
            {
                return code;
            }
        }

        return concept.Text("text"u8);
    }
}
