namespace Titration.Protocol.Courses;

/// <summary>Codes of treated areas that the rules know; any other is carried as it came.</summary>
public static class Areas
{
    /// <summary>The face and its parts, and orders that name no area.</summary>
    public const string Face = "face";

    /// <summary>
    /// Whether an area is out of scope for a new course: upper eyelid, neck, chest, upper lip (SNOMED CT). Common practice spares them;
    /// no label gives a ladder for them.
    /// </summary>
    public static bool IsSensitive(string area) => area is "41310005" or "43081002" or "74160004" or "16251004";
}
