namespace Titration.Protocol.Courses;

/// <summary>Codes of treated areas that the rules know; any other is carried as it came.</summary>
public static class Areas
{
    /// <summary>The face and its parts, and orders that name no area.</summary>
    public const string Face = "face";
}
