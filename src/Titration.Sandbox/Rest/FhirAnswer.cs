using System.Collections.Immutable;
using Titration.Sandbox.Storing;

namespace Titration.Sandbox.Rest;

/// <summary>What a request is answered with.</summary>
/// <param name="Body">UTF-8 JSON; empty for 304.</param>
internal sealed record FhirAnswer(int Status, ReadOnlyMemory<byte> Body)
{
    /// <summary>The version the answer is about; gives the entity tag and the modification date.</summary>
    public StoredVersion? About { get; init; }

    /// <summary>The answer says where the version is, as after a write.</summary>
    public bool SaysLocation { get; init; }

    /// <summary>For status 405, the methods that would have been allowed.</summary>
    public ImmutableArray<string> Allowed { get; init; } = [];

    public static FhirAnswer Of(RefusedException refused) => new(refused.Status, FhirJson.Outcome(refused.Issues)) { Allowed = refused.Allowed };

    public static FhirAnswer Of(StoredVersion version, int status = 200) => new(status, version.Body) { About = version };
}
