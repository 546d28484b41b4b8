using Hl7.Fhir.Model;

namespace Titration.Fhir.Tests.Writing;

/// <summary>
/// Checks that each reference goes to a type that R4 allows there, from the StructureDefinitions themselves: the validator lets a
/// MedicationRequest in a reasonReference pass.
/// </summary>
internal static class ReferenceTargets
{
    public static IEnumerable<string> ErrorsOf(Resource resource)
    {
        Dictionary<string, string[]> allowed = Allowed(resource.TypeName);
        return References(resource, resource.TypeName)
            .Where(found => found.Type is not null && allowed.TryGetValue(found.Path, out string[]? types) && !types.Contains("Resource") && !types.Contains(found.Type))
            .Select(found => $"{found.Path}: a {found.Type} is not allowed here, only {string.Join(", ", allowed[found.Path])}");
    }

    private static Dictionary<string, string[]> Allowed(string type) => R4.Definition(type).Snapshot!.Element
        .Select(e => (e.Path, Targets: e.Type.Where(t => t.Code == "Reference").SelectMany(t => t.TargetProfile).OfType<string>().Select(p => p.Split('/')[^1]).ToArray()))
        .Where(e => e.Targets.Length > 0)
        .ToDictionary(e => e.Path!.Replace("[x]", string.Empty, StringComparison.Ordinal), e => e.Targets, StringComparer.Ordinal);

    private static IEnumerable<(string Path, string? Type)> References(Base element, string path)
    {
        foreach ((string name, object value) in element.EnumerateElements())
        {
            IEnumerable<Base> children = value is Base one ? [one] : value as IEnumerable<Base> ?? [];
            foreach (Base child in children)
            {
                if (child is ResourceReference reference)
                {
                    yield return ($"{path}.{name}", TypeOf(reference.Reference));
                }

                foreach ((string Path, string? Type) inner in References(child, $"{path}.{name}"))
                {
                    yield return inner;
                }
            }
        }
    }

    private static string? TypeOf(string? reference)
    {
        string[] parts = (reference ?? string.Empty).Split("/_history/")[0].Split('/');
        return parts.Length >= 2 ? parts[^2] : null;
    }
}
