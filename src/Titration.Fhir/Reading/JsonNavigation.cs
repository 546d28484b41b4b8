using System.Text.Json;

namespace Titration.Fhir.Reading;

/// <summary>Looks into JSON of unknown shape without ever failing: what is not there, or not of the shape, is null or empty.</summary>
internal static class JsonNavigation
{
    extension(JsonElement element)
    {
        public JsonElement? Member(ReadOnlySpan<byte> name) =>
            element.ValueKind == JsonValueKind.Object && element.TryGetProperty(name, out JsonElement member) ? member : null;

        public string? Text(ReadOnlySpan<byte> name) =>
            element.Member(name) is { ValueKind: JsonValueKind.String } member ? member.GetString() : null;

        public JsonElement.ArrayEnumerator Items(ReadOnlySpan<byte> name) =>
            element.Member(name) is { ValueKind: JsonValueKind.Array } member ? member.EnumerateArray() : default;

        /// <summary>The codes of a CodeableConcept that name a code; a missing system is empty.</summary>
        public IEnumerable<SystemCode> Codings()
        {
            foreach (JsonElement coding in element.Items("coding"u8))
            {
                if (coding.Text("code"u8) is { Length: <= SystemCodes.LongestCode } code)
                {
                    yield return new SystemCode(coding.Text("system"u8) ?? "", code);
                }
            }
        }

        /// <summary>What identifies a resource, as far as it is there and well formed.</summary>
        public ResourceHeader Header()
        {
            JsonElement? meta = element.Member("meta"u8);
            return new ResourceHeader(
                element.Text("resourceType"u8), AsId(element.Text("id"u8)), AsId(meta?.Text("versionId"u8)), FhirTime.ParseInstant(meta?.Text("lastUpdated"u8)));
        }
    }

    private static string? AsId(string? text) => FhirReference.IsId(text) ? text : null;
}
