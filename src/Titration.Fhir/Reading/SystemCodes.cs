using Hl7.Fhir.Model;

namespace Titration.Fhir.Reading;

/// <summary>The codes of parsed concepts.</summary>
internal static class SystemCodes
{
    /// <summary>A longer one is no code of anybody's, and would only burden whoever is told of it.</summary>
    public const int LongestCode = 200;

    /// <summary>The codings that name a code; a missing system is empty.</summary>
    public static IEnumerable<SystemCode> Of(CodeableConcept? concept)
    {
        foreach (Coding coding in concept?.Coding ?? [])
        {
            if (coding.Code is { Length: <= LongestCode } code)
            {
                yield return new SystemCode(coding.System ?? "", code);
            }
        }
    }
}
