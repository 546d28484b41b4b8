using Hl7.Fhir.Model;

namespace Titration.Fhir.Reading;

/// <summary>R4: who does not know a modifier extension, or the implicit rules, must not process the resource.</summary>
internal static class Modifiers
{
    private const string Unknown = "An extension that may change the meaning of the resource is not known here.";

    public static void Check(DomainResource resource, Remarks remarks)
    {
        if (resource.ModifierExtension.Count > 0)
        {
            remarks.Refuse($"{resource.TypeName}.modifierExtension", Unknown);
        }
        else if (resource.ImplicitRules is not null)
        {
            remarks.Refuse($"{resource.TypeName}.implicitRules", "Rules that may change the meaning of the resource are not known here.");
        }
    }

    public static void Check(BackboneElement element, string path, Remarks remarks)
    {
        if (element.ModifierExtension.Count > 0)
        {
            remarks.Refuse($"{path}.modifierExtension", Unknown);
        }
    }
}
