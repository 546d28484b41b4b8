using System.Collections.Immutable;
using Hl7.Fhir.Model;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Writing;

/// <summary>References that go out: to exact versions, to siblings not yet on the server, to people.</summary>
public static class OutgoingReferences
{
    private const string Prefix = "urn:uuid:";

    public static string PlaceholderOf(Guid uuid) => Prefix + uuid;

    /// <summary>The siblings that <paramref name="resource"/> still refers to by placeholder: it depends on them.</summary>
    public static ImmutableArray<string> PlaceholdersIn(DomainResource resource) =>
        [.. In(resource).Select(r => r.Reference).OfType<string>().Where(IsPlaceholder).Distinct(StringComparer.Ordinal)];

    /// <summary>A copy whose placeholders are replaced by the ids the server gave.</summary>
    /// <param name="resource">Left as it is.</param>
    /// <param name="map">From placeholder to <c>Type/id</c>.</param>
    /// <exception cref="ArgumentException">The map lacks a placeholder: half a resource must not leave.</exception>
    public static T Resolve<T>(T resource, IReadOnlyDictionary<string, string> map) where T : DomainResource
    {
        T copy = resource.DeepCopy();
        foreach (ResourceReference reference in In(copy))
        {
            if (reference.Reference is { } placeholder && IsPlaceholder(placeholder))
            {
                reference.Reference = map.TryGetValue(placeholder, out string? id)
                    ? id
                    : throw new ArgumentException($"A {copy.TypeName} refers to a resource that has no server id yet.", nameof(map));
            }
        }

        return copy;
    }

    /// <summary>
    /// A reference to one exact version. Some servers strip <c>/_history</c> on writing, so the version stands in the display too.
    /// </summary>
    internal static ResourceReference Versioned(ResourceVersion version) => new(version.Reference)
    {
        Display = version.VersionId is null ? $"content sha256:{version.ContentHash}" : $"version {version.VersionId}",
    };

    /// <summary>
    /// A reference to a resource of ours from another communication: by its identifier, which holds wherever it is stored, and by its place
    /// where that is known.
    /// </summary>
    /// <param name="key">The other communication's key.</param>
    /// <param name="role">Which of its resources: the CommunicationRequest or the Task.</param>
    /// <param name="serverId">Its id on the server; null where it has none yet.</param>
    /// <exception cref="ArgumentOutOfRangeException">The role is another.</exception>
    public static ResourceReference ToOther(Guid key, OutgoingRole role, string? serverId)
    {
        (string type, string system) = role switch
        {
            OutgoingRole.CommunicationRequest => ("CommunicationRequest", OutgoingCodes.CommunicationRequestNaming),
            OutgoingRole.Task => ("Task", OutgoingCodes.TaskNaming),
            _ => throw new ArgumentOutOfRangeException(nameof(role)),
        };
        return new ResourceReference(serverId is null ? null : $"{type}/{serverId}")
        {
            Type = type,
            Identifier = new Identifier(system, OutgoingResource.UuidOf(key, role).ToString()),
        };
    }

    internal static ResourceReference To(Guid uuid) => new(PlaceholderOf(uuid));

    /// <summary>True for a reference such as <c>PractitionerRole/1</c>, relative or absolute, to one of these types.</summary>
    internal static bool IsTo(string? reference, params ReadOnlySpan<string> types)
    {
        string[] parts = (reference ?? string.Empty).Split('/');
        int type = parts.Length > 3 && parts[^2] == "_history" ? parts.Length - 4 : parts.Length - 2;
        return type >= 0 && types.Contains(parts[type]);
    }

    private static bool IsPlaceholder(string reference) => reference.StartsWith(Prefix, StringComparison.Ordinal);

    private static IEnumerable<ResourceReference> In(Base element)
    {
        foreach ((_, object value) in element.EnumerateElements())
        {
            IEnumerable<Base> children = value switch
            {
                Base one => [one],
                IEnumerable<Base> many => many,
                _ => [],
            };
            foreach (Base child in children)
            {
                if (child is ResourceReference reference)
                {
                    yield return reference;
                }

                foreach (ResourceReference inner in In(child))
                {
                    yield return inner;
                }
            }
        }
    }
}
