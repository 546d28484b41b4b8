using System.Buffers.Binary;
using System.Security.Cryptography;
using System.Text;

namespace Titration.Storage.Ledger;

/// <summary>
/// What is hashed, part by part. Integers are 8 bytes, big-endian; UUIDs are their 16 bytes in the order of their text; text and bytes come after their
/// length in 4 bytes, text in UTF-8; what may be absent comes after one byte, 0 for absent and 1 for present. SHA-256.
/// </summary>
internal sealed class HashInput : IDisposable
{
    private readonly IncrementalHash _hash = IncrementalHash.CreateHash(HashAlgorithmName.SHA256);

    public HashInput Byte(byte value)
    {
        _hash.AppendData([value]);
        return this;
    }

    public HashInput Number(long value)
    {
        Span<byte> bytes = stackalloc byte[sizeof(long)];
        BinaryPrimitives.WriteInt64BigEndian(bytes, value);
        _hash.AppendData(bytes);
        return this;
    }

    /// <summary>Unix milliseconds.</summary>
    public HashInput Instant(DateTimeOffset value) => Number(value.ToUnixTimeMilliseconds());

    public HashInput Id(Guid value)
    {
        _hash.AppendData(value.ToByteArray(bigEndian: true));
        return this;
    }

    /// <summary>A salt or a hash: 32 bytes without their length. What has another length was not written here; its length is hashed too.</summary>
    public HashInput Fixed(byte[] value)
    {
        if (value.Length != SHA256.HashSizeInBytes)
        {
            return Bytes(value);
        }

        _hash.AppendData(value);
        return this;
    }

    public HashInput Text(string value) => Bytes(Encoding.UTF8.GetBytes(value));

    public HashInput Bytes(byte[] value)
    {
        Span<byte> length = stackalloc byte[sizeof(int)];
        BinaryPrimitives.WriteInt32BigEndian(length, value.Length);
        _hash.AppendData(length);
        _hash.AppendData(value);
        return this;
    }

    public HashInput Optional<T>(T? value, Func<HashInput, T, HashInput> write) where T : struct =>
        value is { } present ? write(Byte(1), present) : Byte(0);

    public HashInput OptionalText(string? value) => value is null ? Byte(0) : Byte(1).Text(value);

    public byte[] Hash() => _hash.GetHashAndReset();

    public void Dispose() => _hash.Dispose();
}
