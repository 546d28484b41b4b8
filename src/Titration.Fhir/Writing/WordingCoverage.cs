using System.Collections.Immutable;
using Titration.Protocol.Definitions;

namespace Titration.Fhir.Writing;

/// <summary>
/// What a protocol can name and a wording has no words for. Findings and templates need no look: a wording without one of those is refused
/// when it is read. A running service shows the protocol's own name instead of a missing word, so that no message is held up.
/// </summary>
public static class WordingCoverage
{
    /// <summary>One problem for each product and each interacting topical that a language lacks, with its path in the protocol.</summary>
    public static ImmutableArray<ProtocolProblem> Problems(ProtocolDefinition protocol, Wording wording) =>
    [
        .. Missing("/products", [.. protocol.Products.Select(p => p.Ingredient)], wording),
        .. Missing("/interactingTopicals", [.. protocol.InteractingTopicals.Select(i => i.Ingredient)], wording),
    ];

    private static IEnumerable<ProtocolProblem> Missing(string path, ImmutableArray<string> ingredients, Wording wording) =>
        from item in ingredients.Select((ingredient, index) => (ingredient, index))
        let languages = wording.Languages.Where(l => !wording.In(l).NamesIngredient(item.ingredient)).ToArray()
        where languages.Length > 0
        select new ProtocolProblem(
            $"{path}/{item.index}/ingredient",
            $"the wording has no words for \"{item.ingredient}\" in {string.Join(", ", languages)}; add ingredients.{item.ingredient} to the clinic's wording");
}
