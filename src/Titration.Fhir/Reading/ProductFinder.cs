using System.Collections.Immutable;
using System.Text.Json;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>
/// Finds the product of an order in its JSON, before anything is parsed in full: most orders of a clinic are for other medicines.
/// </summary>
internal sealed class ProductFinder(Vocabulary vocabulary)
{
    private const string Reference = "MedicationRequest.medicationReference.reference";

    /// <param name="order">The MedicationRequest.</param>
    /// <param name="medication">The Medication it refers to, where it has been fetched or came along.</param>
    public ProductFinding Find(JsonElement order, JsonElement? medication)
    {
        if (order.Member("medicationCodeableConcept"u8) is { } concept)
        {
            return Find([concept], "MedicationRequest.medicationCodeableConcept");
        }

        string? reference = order.Member("medicationReference"u8)?.Text("reference"u8);
        if (reference is ['#', .. var id])
        {
            JsonElement contained = order.Items("contained"u8)
                .FirstOrDefault(c => c.Text("resourceType"u8) == "Medication" && c.Text("id"u8) == id);
            return contained.ValueKind == JsonValueKind.Undefined
                ? new ProductFinding.Contradictory(Reference, "The order contains no Medication of this id.")
                : Find(ConceptsOf(contained), "MedicationRequest.contained.code");
        }

        if (medication is { } fetched)
        {
            return Find(ConceptsOf(fetched), "Medication.code");
        }

        return FhirReference.Parse(reference) is { Type: "Medication" } elsewhere
            ? new ProductFinding.Elsewhere(elsewhere.Text)
            : new ProductFinding.Contradictory(Reference, "A coded medication, or a reference to a Medication by its id, is needed.");
    }

    /// <summary>The Medication's own code and those of its ingredients.</summary>
    private static ImmutableArray<JsonElement> ConceptsOf(JsonElement medication)
    {
        IEnumerable<JsonElement?> concepts =
            [medication.Member("code"u8), .. medication.Items("ingredient"u8).Select(i => i.Member("itemCodeableConcept"u8))];
        return [.. concepts.OfType<JsonElement>()];
    }

    private ProductFinding Find(ImmutableArray<JsonElement> concepts, string path)
    {
        ImmutableArray<SystemCode> codes = [.. concepts.SelectMany(c => c.Codings()).Distinct()];
        ImmutableArray<CodedProduct> products = [.. codes.Select(vocabulary.ProductOf).OfType<CodedProduct>()];
        if (products.IsEmpty)
        {
            return IsIrrelevant(codes) ? new ProductFinding.Irrelevant() : new ProductFinding.Unknown(codes);
        }

        ImmutableArray<string> ingredients = [.. products.Where(p => p.Role != ProductRole.Interacting).Select(p => p.Ingredient).Distinct(StringComparer.Ordinal)];
        return ingredients.Length > 1
            ? new ProductFinding.Contradictory($"{path}.coding", "The codes name different retinoids; one product is needed.")
            : Known(products, concepts);
    }

    private bool IsIrrelevant(ImmutableArray<SystemCode> codes) =>
        !codes.IsEmpty && (codes.All(vocabulary.Ignores)
            || (codes.Any(c => c.System == Codes.Systems.Atc)
                && codes.All(c => c.System != Codes.Systems.Atc || !Codes.AtcGroups.Any(g => c.Code.StartsWith(g, StringComparison.OrdinalIgnoreCase)))));

    /// <summary>One product: the retinoid where there is one, whatever else is in it.</summary>
    private ProductFinding.Known Known(ImmutableArray<CodedProduct> products, ImmutableArray<JsonElement> concepts)
    {
        CodedProduct first = products.MinBy(p => p.Role)!;
        ImmutableArray<CodedProduct> same = [.. products.Where(p => p.Ingredient == first.Ingredient)];
        bool combination = same.Any(p => p.Combination) || same.Length < products.Length;
        ImmutableArray<decimal> coded = [.. same.Select(p => p.StrengthPercent).OfType<decimal>().Distinct()];
        if (first.Role != ProductRole.Titrated)
        {
            return new(new Product(first.Role, first.Ingredient, coded.Length == 1 ? coded[0] : null, combination), StrengthIsCertain: true);
        }

        decimal? said = StrengthText.Find(concepts.SelectMany(Texts), vocabulary.StrengthsOf(first.Ingredient), combination, out bool certain);
        decimal? strength = coded.Length switch
        {
            0 => certain ? said : null,

            // A code says its strength by itself; words may only not contradict it.
            1 => said is null || said == coded[0] ? coded[0] : null,
            _ => null,
        };
        return new(
            new Product(first.Role, first.Ingredient, strength, combination, same.Max(p => p.MinimumAgeYears)), StrengthIsCertain: strength is not null);
    }

    private static IEnumerable<string> Texts(JsonElement concept) =>
        concept.Items("coding"u8).Select(c => c.Text("display"u8)).Append(concept.Text("text"u8)).OfType<string>();
}
