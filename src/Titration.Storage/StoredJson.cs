using System.Text.Json;
using System.Text.Json.Serialization;
using System.Text.Json.Serialization.Metadata;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Storage.Ledger;

namespace Titration.Storage;

/// <summary>
/// The JSON that is stored. Reading is strict: a member that this version does not know, or one it needs and does not find,
/// is an error and never a silent loss.
/// </summary>
public static class StoredJson
{
    private static readonly JsonSerializerOptions Options = new(JsonSerializerDefaults.General)
    {
        PropertyNamingPolicy = JsonNamingPolicy.CamelCase,
        UnmappedMemberHandling = JsonUnmappedMemberHandling.Disallow,
        RespectNullableAnnotations = true,
        RespectRequiredConstructorParameters = true,
        AllowDuplicateProperties = false,
        TypeInfoResolver = new DefaultJsonTypeInfoResolver { Modifiers = { LeaveOutComputed } },
    };

    private static readonly JsonSerializerOptions InPart = new(Options) { UnmappedMemberHandling = JsonUnmappedMemberHandling.Skip };

    public static byte[] Write(Fact fact) => JsonSerializer.SerializeToUtf8Bytes(fact, Options);

    public static byte[] Write(Evaluation evaluation) => JsonSerializer.SerializeToUtf8Bytes(evaluation, Options);

    public static byte[] Write(CommunicationIntent intent) => JsonSerializer.SerializeToUtf8Bytes(intent, Options);

    /// <exception cref="JsonException">The bytes are not a fact that this version knows.</exception>
    public static Fact ReadFact(ReadOnlySpan<byte> utf8) => Read<Fact>(utf8);

    /// <exception cref="JsonException">The bytes are not an evaluation that this version knows.</exception>
    public static Evaluation ReadEvaluation(ReadOnlySpan<byte> utf8) => Read<Evaluation>(utf8);

    /// <summary>Of an evaluation only what it comes to: far the less work.</summary>
    /// <exception cref="JsonException">The bytes are not an evaluation.</exception>
    public static StandingOutcome ReadOutcome(ReadOnlySpan<byte> utf8) => Read<StandingOutcome>(utf8, InPart);

    /// <exception cref="JsonException">The bytes are not an intent that this version knows.</exception>
    public static CommunicationIntent ReadIntent(ReadOnlySpan<byte> utf8) => Read<CommunicationIntent>(utf8);

    private static T Read<T>(ReadOnlySpan<byte> utf8, JsonSerializerOptions? options = null) where T : class =>
        JsonSerializer.Deserialize<T>(utf8, options ?? Options) ?? throw new JsonException($"The stored {typeof(T).Name} is null.");

    // What is computed from other members is computed again on reading.
    private static void LeaveOutComputed(JsonTypeInfo type)
    {
        if (type.Kind != JsonTypeInfoKind.Object)
        {
            return;
        }

        foreach (JsonPropertyInfo property in type.Properties.Where(p => p.Set is null && p.AssociatedParameter is null).ToArray())
        {
            type.Properties.Remove(property);
        }
    }
}
