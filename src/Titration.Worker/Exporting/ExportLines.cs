using System.Text;
using System.Text.Encodings.Web;
using System.Text.Json;
using Titration.Protocol.Facts;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Worker.Exporting;

/// <summary>The lines of an export. Hashes and salts are lower-case hexadecimal; what was hashed as bytes stands as the text that it is, or in base64.</summary>
internal static class ExportLines
{
    private static readonly JsonSerializerOptions Options = new(JsonSerializerDefaults.Web) { Encoder = JavaScriptEncoder.UnsafeRelaxedJsonEscaping };

    public static string Of(ChainRow chain, string? patient) => Write(new
    {
        chain = chain.Id,
        patient,
        chain.Length,
        head = Hex(chain.Head),
        chain.Facts,
        factHead = Hex(chain.FactHead),
    });

    public static string Of(ChainEntry entry)
    {
        (DecisionRow link, DecisionContentRow? content) = entry;
        return Write(new
        {
            chain = link.ChainId,
            link.Sequence,
            decidedAt = Instant(link.DecidedAt),
            link.PolicyHash,
            previousHash = Hex(link.PreviousHash),
            contentDigest = Hex(link.ContentDigest),
            hash = Hex(link.Hash),
            content = content is null
                ? null
                : new
                {
                    content.DecisionId,
                    content.Patient,
                    course = content.CourseId,
                    outcome = content.Outcome?.Code(),
                    content.Rule,
                    content.InputDigest,
                    content.FactSequence,
                    factHead = Hex(content.FactHead),
                    salt = Hex(content.Salt),
                    // An erasure's content is a signature.
                    text = content.Rule == DecisionChain.ErasureRule ? null : Encoding.UTF8.GetString(content.Content),
                    base64 = content.Rule == DecisionChain.ErasureRule ? Convert.ToBase64String(content.Content) : null,
                },
        });
    }

    public static string Of(Guid chain, FactRow fact) => Write(new
    {
        chain,
        fact.Sequence,
        fact.Patient,
        fact.ResourceType,
        fact.ResourceId,
        fact.VersionId,
        fact.ContentHash,
        lastUpdated = fact.LastUpdated is { } at ? Instant(at) : null,
        receivedAt = Instant(fact.ReceivedAt),
        fact.TraceParent,
        salt = Hex(fact.Salt),
        hash = Hex(fact.Hash),
        text = Encoding.UTF8.GetString(fact.Content),
    });

    public static string Of(PolicyRow policy) => Write(new
    {
        policy.Hash,
        recordedAt = Instant(policy.RecordedAt),
        parts = PolicyContent.Read(policy.Content).Select(p => new { p.Name, base64 = Convert.ToBase64String(p.Bytes) }),
    });

    private static string Write(object line) => JsonSerializer.Serialize(line, Options);

    private static string Hex(byte[] bytes) => Convert.ToHexStringLower(bytes);

    private static string Instant(DateTimeOffset instant) => instant.UtcDateTime.ToString("yyyy-MM-dd'T'HH:mm:ss.fff'Z'", null);
}
