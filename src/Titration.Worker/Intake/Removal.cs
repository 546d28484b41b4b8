using System.Security.Cryptography;
using System.Text;
using Titration.Fhir.Reading;
using Titration.Protocol.Facts;

namespace Titration.Worker.Intake;

/// <summary>A version that withdraws what was known of a resource.</summary>
internal static class Removal
{
    /// <param name="known">The last that was known.</param>
    /// <param name="header">The version that withdraws it.</param>
    /// <param name="receivedAt">When it came: its date where the server gave none, so that it stands as the newest.</param>
    public static Fact Of(Fact known, ResourceHeader header, DateTimeOffset receivedAt)
    {
        byte[] content = Encoding.UTF8.GetBytes($"removed:{header.Type}/{header.Id}/{header.VersionId}/{header.LastUpdated?.ToUnixTimeMilliseconds()}");
        ResourceVersion source = known.Source with
        {
            VersionId = header.VersionId,
            LastUpdated = header.LastUpdated ?? receivedAt,
            ContentHash = Convert.ToHexStringLower(SHA256.HashData(content)),
        };
        return known switch
        {
            ObservationFact observation => observation with { Source = source, Status = ObservationStatus.Removed, Statements = [] },
            PrescriptionFact prescription => prescription with { Source = source, Status = PrescriptionStatus.Removed },
            _ => throw new System.Diagnostics.UnreachableException($"A {known.GetType().Name} is never removed."),
        };
    }
}
