using Hl7.Fhir.Model;
using Hl7.Fhir.Serialization;

namespace Titration.Worker.Commands;

/// <summary>FHIR resources as JSON that people can read.</summary>
internal static class FhirJson
{
    private static readonly FhirJsonSerializer Serializer = new();

    public static string Serialize(Resource resource) => Serializer.SerializeToString(resource, pretty: true);
}
