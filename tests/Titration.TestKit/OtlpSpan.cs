using System.Text;

namespace Titration.TestKit;

/// <summary>A span as it came over OTLP; identifiers in lower-case hexadecimal.</summary>
public sealed record OtlpSpan(
    string TraceId, string SpanId, string ParentId, string Name, IReadOnlyDictionary<string, string> Attributes, IReadOnlyList<(string TraceId, string SpanId)> Links)
{
    /// <summary>
    /// The spans of an <c>ExportTraceServiceRequest</c>. Read by the field numbers of opentelemetry-proto 1.x (trace.proto, common.proto), with nothing
    /// of the exporter's.
    /// </summary>
    public static IEnumerable<OtlpSpan> In(byte[] request) =>
        from resource in Fields(request, 1)
        from scope in Fields(resource, 2)
        from span in Fields(scope, 2)
        select Read(span);

    private static OtlpSpan Read(ReadOnlyMemory<byte> span) => new(
        Hex(span, 1), Hex(span, 2), Hex(span, 4), Text(span, 5),
        Fields(span, 9).Select(a => (Key: Text(a, 1), Value: Fields(a, 2).Select(v => Text(v, 1)).FirstOrDefault() ?? "")).DistinctBy(a => a.Key)
            .ToDictionary(a => a.Key, a => a.Value, StringComparer.Ordinal),
        [.. Fields(span, 13).Select(l => (Hex(l, 1), Hex(l, 2)))]);

    private static string Hex(ReadOnlyMemory<byte> message, int field) => Convert.ToHexStringLower(Fields(message, field).FirstOrDefault().Span);

    private static string Text(ReadOnlyMemory<byte> message, int field) => Encoding.UTF8.GetString(Fields(message, field).FirstOrDefault().Span);

    /// <summary>The length-delimited fields of this number.</summary>
    private static IEnumerable<ReadOnlyMemory<byte>> Fields(ReadOnlyMemory<byte> message, int wanted)
    {
        int at = 0;
        while (at < message.Length)
        {
            ulong key = Varint(message.Span, ref at);
            switch (key & 7)
            {
                case 0:
                    Varint(message.Span, ref at);
                    break;
                case 1:
                    at += sizeof(ulong);
                    break;
                case 2:
                    int length = (int)Varint(message.Span, ref at);
                    if ((int)(key >> 3) == wanted)
                    {
                        yield return message.Slice(at, length);
                    }

                    at += length;
                    break;
                case 5:
                    at += sizeof(uint);
                    break;
                default:
                    throw new InvalidDataException("No Protocol Buffers.");
            }
        }
    }

    private static ulong Varint(ReadOnlySpan<byte> bytes, ref int at)
    {
        ulong value = 0;
        for (int shift = 0; ; shift += 7)
        {
            byte next = bytes[at++];
            value |= (ulong)(next & 0x7f) << shift;
            if (next < 0x80)
            {
                return value;
            }
        }
    }
}
