using System.Collections.Frozen;
using System.Text.Json;
using System.Text.RegularExpressions;
using Hl7.Fhir.Model;
using Hl7.Fhir.Serialization;
using Hl7.Fhir.Utility;
using Hl7.Fhir.Validation;

namespace Titration.Fhir.Reading;

/// <summary>
/// The one strict parse of a relevant resource. The SDK's messages may quote what was sent, so only its codes and paths are used.
/// </summary>
internal sealed partial class StrictParser(ReadingLimits limits)
{
    private const string UnknownElement = "PVAL128";
    private const string NotFhir = "The element does not follow FHIR R4.";

    // The narrative is never read; checking its XHTML takes as long as all the rest.
    private static readonly FhirJsonDeserializer Deserializer =
        new(new DeserializerSettings().UsingMode(DeserializationMode.Strict, NarrativeValidationKind.None));

    private static readonly FrozenDictionary<string, string> Words = new Dictionary<string, string>(StringComparer.Ordinal)
    {
        ["PVAL105"] = "A required element is missing.",
        ["PVAL116"] = "The code is not in the value set that FHIR R4 requires here.",
        ["PVAL123"] = "The value has the wrong JSON type for this element.",
        ["PVAL124"] = "The text is not in the form that FHIR R4 requires of this element.",
        ["PVAL125"] = "A number above 0 is needed.",
        ["PVAL127"] = "An array is given where one value belongs, or one value where an array belongs.",
        [UnknownElement] = "The resource has an element that FHIR R4 does not know.",
        ["PVAL129"] = "The element is empty.",
        ["PVAL130"] = "A contained resource has no type that FHIR R4 knows.",
        ["JSON109"] = "The value is null.",
        ["JSON120"] = "The element is empty.",
        ["JSON121"] = "The array is empty.",
        ["JSON129"] = "The member, or another of its value types, occurs twice.",
    }.ToFrozenDictionary(StringComparer.Ordinal);

    // Faults seen in this body. Each costs tens of microseconds, so a body full of them must not be followed to its end.
    private int _faults;

    /// <summary>The parsed resource; null with the reason in <paramref name="remarks"/>.</summary>
    public T? Parse<T>(ReadingSource source, Remarks remarks) where T : Resource
    {
        string type = source.Header.Type!;
        if (source.Bytes.Length > limits.ResourceBytes || JsonBody.Scan(source.Bytes.Span).Tokens > limits.ResourceTokens)
        {
            remarks.Refuse(type, $"The resource is larger than {limits.ResourceBytes} bytes or {limits.ResourceTokens} JSON tokens.");
        }
        else if (_faults > limits.Faults)
        {
            remarks.Refuse(type, "The body has too many faults; send this resource again by itself.");
        }
        else if (source.Header.Id is null)
        {
            remarks.Refuse($"{type}.id", "The logical id is needed.");
        }
        else
        {
            return Deserialize<T>(source.Bytes.Span, type, remarks);
        }

        return null;
    }

    private T? Deserialize<T>(ReadOnlySpan<byte> utf8, string type, Remarks remarks) where T : Resource
    {
        try
        {
            Utf8JsonReader reader = new(utf8);
            bool valid = Deserializer.TryDeserializeResource(ref reader, out Resource? resource, out IEnumerable<CodedException> issues);
            if (valid && resource is T parsed)
            {
                return parsed;
            }

            List<CodedException> faults = [.. issues];
            _faults += faults.Count;
            Refuse(faults, type, remarks);
        }
        catch (Exception exception) when (exception is not OutOfMemoryException)
        {
            // Code of others on input of others: whatever it throws, the resource is not usable and says so in quarantine.
            _faults++;
            remarks.Refuse(type, "The resource cannot be taken apart as FHIR R4.");
        }

        return null;
    }

    private static void Refuse(List<CodedException> faults, string type, Remarks remarks)
    {
        // The name of an unknown element is the sender's own word, and so is every path below it.
        if (faults.Count == 0 || faults.Exists(f => f.ErrorCode == UnknownElement))
        {
            remarks.Refuse(type, faults.Count == 0 ? NotFhir : Words[UnknownElement]);
            return;
        }

        string path = (faults[0] as ExtendedCodedException)?.InstancePath?.Replace("$this", type, StringComparison.Ordinal) ?? type;
        remarks.Refuse(
            path.Length <= 200 && ElementPath().IsMatch(path) ? path : type,
            Words.GetValueOrDefault(faults[0].ErrorCode ?? "", NotFhir));
    }

    [GeneratedRegex(@"^[A-Za-z]+(\.[A-Za-z]+(\[[0-9]+\])?)*\z", RegexOptions.ExplicitCapture | RegexOptions.NonBacktracking)]
    private static partial Regex ElementPath();
}
