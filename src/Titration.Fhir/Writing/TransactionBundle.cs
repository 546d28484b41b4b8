using Hl7.Fhir.Model;

namespace Titration.Fhir.Writing;

/// <summary>One decision's resources in one request, for servers that support transactions.</summary>
public static class TransactionBundle
{
    /// <summary>Placeholders stay: they are the entries' full URLs, which the server replaces.</summary>
    public static Bundle Of(IEnumerable<OutgoingResource> resources) => new()
    {
        Type = Bundle.BundleType.Transaction,
        Entry = [.. resources.Select(EntryOf)],
    };

    private static Bundle.EntryComponent EntryOf(OutgoingResource resource) => new()
    {
        FullUrl = resource.Placeholder,
        Resource = resource.Resource,
        Request = new Bundle.RequestComponent
        {
            Method = resource.PutId is null ? Bundle.HTTPVerb.POST : Bundle.HTTPVerb.PUT,
            Url = resource.PutId is null ? resource.Resource.TypeName : $"{resource.Resource.TypeName}/{resource.PutId}",
            IfNoneExist = resource.IfNoneExist,
        },
    };
}
