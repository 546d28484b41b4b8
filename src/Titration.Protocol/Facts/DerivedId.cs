using System.Security.Cryptography;
using System.Text;

namespace Titration.Protocol.Facts;

/// <summary>
/// Identity that retry, a second worker and a replay agree on: a version 5 UUID (RFC 9562) of what the thing is.
/// </summary>
public static class DerivedId
{
    // Our own name space, itself the version 5 UUID of the code systems' base address under the RFC's URL name space.
    private static readonly Guid NameSpace = Version5(new Guid("6ba7b811-9dad-11d1-80b4-00c04fd430c8"), "https://titration.example.org/fhir");

    /// <summary>The id of the thing that these parts name, in this order.</summary>
    public static Guid Of(params ReadOnlySpan<string> parts)
    {
        StringBuilder name = new();
        foreach (string part in parts)
        {
            // Length first, so that ("a", "bc") and ("ab", "c") differ.
            name.Append(part.Length).Append(':').Append(part);
        }

        return Version5(NameSpace, name.ToString());
    }

    /// <summary>RFC 9562 section 5.5.</summary>
    public static Guid Version5(Guid nameSpace, string name)
    {
        const int NameSpaceBytes = 16;
        byte[] input = new byte[NameSpaceBytes + Encoding.UTF8.GetByteCount(name)];
        nameSpace.TryWriteBytes(input, bigEndian: true, out _);
        Encoding.UTF8.GetBytes(name, input.AsSpan(NameSpaceBytes));
        Span<byte> hash = stackalloc byte[SHA1.HashSizeInBytes];
#pragma warning disable CA5350 // The RFC prescribes SHA-1 for version 5; nothing here relies on its strength.
        SHA1.HashData(input, hash);
#pragma warning restore CA5350
        Span<byte> id = hash[..16];
        id[6] = (byte)((id[6] & 0x0F) | 0x50);
        id[8] = (byte)((id[8] & 0x3F) | 0x80);
        return new Guid(id, bigEndian: true);
    }
}
