using System.Collections.Immutable;
using System.Security.Cryptography;
using System.Text.Json;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>One part of a policy.</summary>
/// <param name="Name">Such as <c>protocol</c>, <c>mapping</c>, <c>wording/en.json</c>, <c>time-zone</c>.</param>
/// <param name="Bytes">As the clinic wrote it.</param>
public sealed record PolicyPart(string Name, byte[] Bytes);

/// <summary>A policy as it is hashed and recorded.</summary>
public static class PolicyContent
{
    /// <summary>SHA-256 over the SHA-256 of each part in their order, lower-case hexadecimal: nothing can move from one part to the next unseen.</summary>
    public static string HashOf(ImmutableArray<PolicyPart> parts)
    {
        using IncrementalHash hash = IncrementalHash.CreateHash(HashAlgorithmName.SHA256);
        foreach (PolicyPart part in parts)
        {
            hash.AppendData(SHA256.HashData(part.Bytes));
        }

        return Convert.ToHexStringLower(hash.GetHashAndReset());
    }

    /// <summary>The parts with their bytes in base64, in their order.</summary>
    public static byte[] Write(ImmutableArray<PolicyPart> parts) => JsonSerializer.SerializeToUtf8Bytes(parts, JsonSerializerOptions.Web);

    /// <summary>Whether a recorded policy's content is what its hash says.</summary>
    public static bool IsOf(PolicyRow policy)
    {
        try
        {
            return HashOf(Read(policy.Content)) == policy.Hash;
        }
        catch (Exception problem) when (problem is JsonException or ArgumentNullException or NullReferenceException)
        {
            return false;
        }
    }

    /// <exception cref="JsonException">The bytes are not what <see cref="Write"/> wrote.</exception>
    public static ImmutableArray<PolicyPart> Read(ReadOnlySpan<byte> utf8) =>
        JsonSerializer.Deserialize<ImmutableArray<PolicyPart>>(utf8, JsonSerializerOptions.Web);
}
