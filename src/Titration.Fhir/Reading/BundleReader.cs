using System.Collections.Frozen;
using System.Collections.Immutable;
using System.Text.Json;

namespace Titration.Fhir.Reading;

/// <summary>Takes a Bundle apart, entry by entry: search page, history, message, collection, transaction, subscription notification.</summary>
/// <param name="body">The Bundle's bytes.</param>
/// <param name="resources">Reads one resource.</param>
/// <param name="limits">How much is read.</param>
internal sealed class BundleReader(ReadOnlyMemory<byte> body, ResourceReader resources, ReadingLimits limits)
{
    private static readonly FrozenSet<string> Fetchable =
        FrozenSet.Create(StringComparer.Ordinal, "MedicationRequest", "Observation", "Patient", "Task", "CommunicationRequest");

    private Dictionary<string, JsonElement>? _medications;

    /// <param name="bundle">The Bundle.</param>
    /// <param name="hasDuplicates">True where a member occurs twice somewhere: then every entry is looked at by itself.</param>
    public ImmutableArray<ResourceReading> Read(JsonElement bundle, bool hasDuplicates)
    {
        ReadingSource whole = new(bundle.Header(), body);
        if (bundle.EnumerateObject().Count(p => p.NameEquals("entry"u8)) > 1)
        {
            return [whole.Refused("Bundle.entry", "The member occurs twice.")];
        }

        if (bundle.Member("entry"u8) is not { } entries)
        {
            return [];
        }

        if (entries.ValueKind != JsonValueKind.Array || entries.GetArrayLength() > limits.Entries)
        {
            return [whole.Refused("Bundle.entry", $"An array of at most {limits.Entries} entries is needed.")];
        }

        ImmutableArray<ResourceReading>.Builder readings = ImmutableArray.CreateBuilder<ResourceReading>(entries.GetArrayLength());
        foreach (JsonElement entry in entries.EnumerateArray())
        {
            readings.Add(Read(entry, bundle, hasDuplicates));
        }

        readings.AddRange(FociWithoutEntry(bundle));
        return readings.DrainToImmutable();
    }

    private ResourceReading Read(JsonElement entry, JsonElement bundle, bool hasDuplicates)
    {
        ReadOnlyMemory<byte> bytes = JsonBody.Slice(body, entry);
        if (hasDuplicates && !IsUnambiguous(bytes))
        {
            return new ReadingSource(ResourceHeader.None, bytes).Refused("Bundle.entry", "A member of an object occurs twice, or its name cannot be decoded.");
        }

        return entry.Member("resource"u8) is { } resource
            ? resources.Read(resource, JsonBody.Slice(body, resource), reference => MedicationOf(reference, bundle))
            : WithoutResource(entry, bytes);
    }

    /// <summary>An entry that only names a resource: deleted, or to be fetched.</summary>
    private static ResourceReading WithoutResource(JsonElement entry, ReadOnlyMemory<byte> bytes)
    {
        JsonElement? request = entry.Member("request"u8);
        JsonElement? response = entry.Member("response"u8);
        FhirReference? named = FhirReference.Parse(request?.Text("url"u8)) ?? FhirReference.Parse(entry.Text("fullUrl"u8));
        if (named is null)
        {
            return new ReadingSource(ResourceHeader.None, bytes).Refused("Bundle.entry", "A resource, or the type and id of one, is needed.");
        }

        ResourceHeader header = new(named.Type, named.Id, named.Version ?? VersionIn(response?.Text("etag"u8)), FhirTime.ParseInstant(response?.Text("lastModified"u8)));
        ReadingSource source = new(header, bytes);
        return !Fetchable.Contains(named.Type) ? source.Skipped("Resources of this type say nothing of a titration.")
            : request?.Text("method"u8) == "DELETE" || response?.Text("status"u8)?.StartsWith("410", StringComparison.Ordinal) == true ? source.Deleted()
            : source.Incomplete(named.Text);
    }

    /// <summary>The focus resources of a subscription notification that have no entry of their own.</summary>
    private IEnumerable<ResourceReading> FociWithoutEntry(JsonElement bundle)
    {
        JsonElement first = bundle.Items("entry"u8).FirstOrDefault();
        if (first.Member("resource"u8) is not { } status || status.Text("resourceType"u8) != "Parameters")
        {
            return [];
        }

        HashSet<string> there = new(bundle.Items("entry"u8).Select(NameOf).OfType<string>(), StringComparer.Ordinal);
        return
        [
            .. status.Items("parameter"u8)
                .Where(p => p.Text("name"u8) == "notification-event")
                .SelectMany(p => p.Items("part"u8).Where(part => part.Text("name"u8) == "focus"))
                .Select(focus => FhirReference.Parse(focus.Member("valueReference"u8)?.Text("reference"u8)))
                .OfType<FhirReference>()
                .Where(focus => Fetchable.Contains(focus.Type) && there.Add(focus.Unversioned))
                .Select(focus => new ReadingSource(new ResourceHeader(focus.Type, focus.Id, focus.Version, null), JsonBody.Slice(body, first)).Incomplete(focus.Text)),
        ];
    }

    private static string? NameOf(JsonElement entry) =>
        entry.Member("resource"u8) is { } resource && resource.Text("id"u8) is { } id
            ? $"{resource.Text("resourceType"u8)}/{id}"
            : FhirReference.Parse(entry.Text("fullUrl"u8))?.Unversioned;

    private JsonElement? MedicationOf(string reference, JsonElement bundle)
    {
        if (_medications is null)
        {
            _medications = new(StringComparer.Ordinal);
            foreach (JsonElement entry in bundle.Items("entry"u8))
            {
                if (entry.Member("resource"u8) is { } resource && resource.Text("resourceType"u8) == "Medication")
                {
                    _medications[$"Medication/{resource.Text("id"u8)}"] = resource;
                }
            }
        }

        return _medications.TryGetValue(reference, out JsonElement medication) ? medication : null;
    }

    private static bool IsUnambiguous(ReadOnlyMemory<byte> entry)
    {
        using JsonDocument? document = JsonBody.Parse(entry, duplicates: false);
        return document is not null;
    }

    /// <summary>The version in a weak ETag such as <c>W/"3"</c>.</summary>
    private static string? VersionIn(string? etag) => etag?.Split('"') is [_, var version, _] && FhirReference.IsId(version) ? version : null;
}
