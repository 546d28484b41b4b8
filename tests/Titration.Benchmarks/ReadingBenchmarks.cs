using System.Collections.Immutable;
using System.Text.Json;
using BenchmarkDotNet.Attributes;
using Hl7.Fhir.Model;
using Hl7.Fhir.Serialization;
using Titration.Fhir.Reading;
using Titration.TestKit;

namespace Titration.Benchmarks;

/// <summary>
/// From the bytes of one resource to facts. The baseline is strict parsing with the SDK, which the reader does too and which costs most; the floor is
/// JsonDocument, which knows nothing of FHIR.
/// </summary>
[MemoryDiagnoser]
public class ReadingBenchmarks
{
    private static readonly FhirJsonDeserializer Strict = new(new DeserializerSettings().UsingMode(DeserializationMode.Strict));

    private readonly FhirReader _reader = new(Vocabulary.Of(Story.Standard));
    private byte[] _body = [];

    /// <summary>An example of docs/examples.</summary>
    [Params("check-in-1", "order")]
    public string Resource { get; set; } = "";

    [GlobalSetup]
    public void Prepare() => _body = File.ReadAllBytes(Repository.File("docs", "examples", $"{Resource}.json"));

    [Benchmark]
    public JsonValueKind Floor()
    {
        using JsonDocument document = JsonDocument.Parse(_body);
        return document.RootElement.ValueKind;
    }

    [Benchmark(Baseline = true)]
    public Resource? ParseStrictly()
    {
        Utf8JsonReader reader = new(_body);
        Strict.TryDeserializeResource(ref reader, out Resource? resource, out _);
        return resource;
    }

    [Benchmark]
    public ImmutableArray<ResourceReading> Read() => _reader.Read(_body);
}
