using Hl7.Fhir.Model;
using Titration.Fhir.Writing;
using Titration.Protocol.Facts;
using Titration.Storage.Model;

namespace Titration.Worker.Delivery;

/// <summary>What an attempt that was cut off has left on the FHIR server: the server may have taken what nobody here recorded.</summary>
internal static class EarlierAttempt
{
    /// <summary>Looks for the resources of a communication whose grounds have gone. What is there has to be withdrawn; nothing there, nothing is to be done.</summary>
    public static async System.Threading.Tasks.Task<Delivered> FindAsync(
        FhirServerClient server, Guid key, IEnumerable<OutgoingResource> resources, CancellationToken cancellationToken)
    {
        List<SentResourceRow> found = [];
        foreach (OutgoingResource resource in resources)
        {
            if (resource.IfNoneExist is not { } condition)
            {
                continue;
            }

            ServerAnswer answer = await server.GetDocumentAsync("Bundle", $"{resource.Resource.TypeName}?{condition}", cancellationToken);
            if (answer is not ServerAnswer.Document page)
            {
                return new Delivered([], answer);
            }

            if (FhirServerClient.Parse(page.Json) is not Bundle matches)
            {
                return new Delivered([], new ServerAnswer.Unavailable("answer-unreadable", null));
            }

            if (OldestIn(matches) is { Id: { } id } there)
            {
                found.Add(new SentResourceRow
                {
                    CommunicationKey = key,
                    Role = resource.Role.Code(),
                    ResourceType = there.TypeName,
                    ServerId = id,
                    VersionId = there.Meta?.VersionId,
                });
            }
        }

        return found.Count == 0 ? Delivered.AsDropped : new Delivered(found, null);
    }

    private static Resource? OldestIn(Bundle matches) => matches.Entry
        .Where(e => e.Search?.Mode is null or Bundle.SearchEntryMode.Match).Select(e => e.Resource).OfType<Resource>()
        .MinBy(r => r.Meta?.LastUpdated ?? DateTimeOffset.MaxValue);
}
