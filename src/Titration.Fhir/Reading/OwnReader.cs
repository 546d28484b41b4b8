using System.Text.Json;

namespace Titration.Fhir.Reading;

/// <summary>Tells a Task or CommunicationRequest of ours from those of others, by its identifier.</summary>
internal static class OwnReader
{
    public static ResourceReading Read(ReadingSource source, JsonElement resource, string identifierSystem)
    {
        foreach (JsonElement identifier in resource.Items("identifier"u8))
        {
            if (identifier.Text("system"u8) == identifierSystem && Guid.TryParseExact(identifier.Text("value"u8), "D", out Guid key))
            {
                return source.Header.Id is null
                    ? source.Refused($"{source.Header.Type}.id", "The logical id is needed.")
                    : source.Own(key);
            }
        }

        return source.Skipped("It is not one that this service issued.");
    }
}
