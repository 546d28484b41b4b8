using System.Collections.Immutable;
using System.Text.Json.Nodes;
using Titration.Fhir.Reading;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

/// <summary>A reader with the published protocol and the example mapping, and short ways to what it read.</summary>
internal static class Readers
{
    public static ProtocolDefinition Protocol { get; } =
        ProtocolJson.Parse(File.ReadAllBytes(Repository.File("contracts", "protocols", "topical-retinoid-titration.json")));

    public static MappingFile Mapping { get; } = MappingJson.Parse(File.ReadAllBytes(Repository.File("contracts", "mapping.example.json")));

    public static FhirReader Reader { get; } = new(Vocabulary.Of(Protocol, Mapping));

    public static ImmutableArray<ResourceReading> ReadAll(this JsonNode body) => Reader.Read(body.ToUtf8());

    public static ResourceReading Read(this JsonNode body) => Assert.Single(body.ReadAll());

    public static PrescriptionFact Prescription(this JsonNode body) => Assert.IsType<PrescriptionFact>(body.Read().Fact());

    public static ObservationFact Observation(this JsonNode body) => Assert.IsType<ObservationFact>(body.Read().Fact());

    public static PatientFact PatientFact(this JsonNode body) => Assert.IsType<PatientFact>(body.Read().Fact());

    public static ResourceReading.Refused Refused(this JsonNode body) => Assert.IsType<ResourceReading.Refused>(body.Read());

    public static Fact Fact(this ResourceReading reading) =>
        reading is ResourceReading.Refused refused
            ? throw new Xunit.Sdk.XunitException($"Refused at {refused.Path}: {refused.Problem}")
            : Assert.IsType<ResourceReading.Understood>(reading).Fact;
}
