namespace Titration.Storage.Model;

/// <summary>A policy (protocol, mapping, wording, time zone and whom the clinic follows) by which was decided, or which was adopted. Append only.</summary>
public sealed class PolicyRow
{
    /// <summary>Its content hash, lower-case hexadecimal.</summary>
    public required string Hash { get; init; }

    public required DateTimeOffset RecordedAt { get; init; }

    /// <summary>UTF-8 JSON of its parts, see <see cref="Ledger.PolicyContent"/>.</summary>
    public required byte[] Content { get; init; }
}

/// <summary>That the clinic adopted a policy, and from when on. Append only.</summary>
public sealed class PolicyAdoptionRow
{
    public long Id { get; init; }

    public required string PolicyHash { get; init; }

    public required DateTimeOffset EffectiveFrom { get; init; }

    public required DateTimeOffset AdoptedAt { get; init; }
}
