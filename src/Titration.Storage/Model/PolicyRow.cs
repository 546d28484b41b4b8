namespace Titration.Storage.Model;

/// <summary>A policy (protocol, mapping, wording and time zone) that the clinic adopted.</summary>
public sealed class PolicyRow
{
    /// <summary>Its content hash, lower-case hexadecimal.</summary>
    public required string Hash { get; init; }

    public required DateTimeOffset EffectiveFrom { get; init; }

    public required DateTimeOffset AdoptedAt { get; init; }

    public required byte[] Content { get; init; }
}
