using System.Security.Cryptography;
using System.Text.Json;
using System.Text.Json.Serialization;

namespace Titration.Protocol.Definitions;

/// <summary>Reads a protocol's JSON text strictly: an unknown or missing member is an error, never a default.</summary>
public static class ProtocolJson
{
    /// <summary>How every file that a clinic writes is read: nothing unknown, nothing missing, nothing twice.</summary>
    public static JsonSerializerOptions Strict { get; } = new(JsonSerializerDefaults.Web)
    {
        UnmappedMemberHandling = JsonUnmappedMemberHandling.Disallow,
        RespectRequiredConstructorParameters = true,
        RespectNullableAnnotations = true,
        NumberHandling = JsonNumberHandling.Strict,
        AllowDuplicateProperties = false,
        PropertyNameCaseInsensitive = false,
    };

    /// <summary>Reads the UTF-8 text of a protocol file.</summary>
    /// <exception cref="JsonException">The text is not a protocol; the exception says line and path.</exception>
    public static ProtocolDefinition Parse(ReadOnlySpan<byte> utf8) =>
        JsonSerializer.Deserialize<ProtocolDefinition>(utf8, Strict) ?? throw new JsonException("The protocol is null.");

    /// <summary>SHA-256 of the bytes as written, lower-case hexadecimal: what a decision records.</summary>
    public static string HashOf(ReadOnlySpan<byte> utf8) => Convert.ToHexStringLower(SHA256.HashData(utf8));
}
