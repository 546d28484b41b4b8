using System.Collections.Immutable;
using System.Text.Json;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>Reads a clinic's mapping file strictly and tells all that is wrong with it at once.</summary>
public static class MappingJson
{
    /// <summary>Reads the UTF-8 text of a mapping file.</summary>
    /// <exception cref="JsonException">The text is not a mapping file; the exception says line and path.</exception>
    public static MappingFile Parse(ReadOnlySpan<byte> utf8) =>
        JsonSerializer.Deserialize<MappingFile>(utf8, ProtocolJson.Strict) ?? throw new JsonException("The mapping file is null.");

    /// <summary>All that is wrong with a mapping file under a protocol; empty where it can be used.</summary>
    public static ImmutableArray<MappingProblem> Problems(this MappingFile mapping, ProtocolDefinition protocol)
    {
        List<MappingProblem> problems = [];
        Dictionary<string, TitratedProduct?> ingredients = IngredientsOf(protocol);
        for (int i = 0; i < mapping.Products.Length; i++)
        {
            Check(mapping.Products[i], ingredients, $"products[{i}]", problems);
        }

        for (int i = 0; i < mapping.Observations.Length; i++)
        {
            if (!BuiltInCodes.Own.ContainsKey(mapping.Observations[i].Means))
            {
                problems.Add(new($"observations[{i}].means", "This is no code of the tolerability code system."));
            }
        }

        for (int i = 0; i < mapping.Answers.Length; i++)
        {
            Check(mapping.Answers[i], $"answers[{i}]", problems);
        }

        for (int i = 0; i < mapping.Units.Length; i++)
        {
            if (mapping.Units[i].Grams is <= 0 or > 100)
            {
                problems.Add(new($"units[{i}].grams", "A unit must weigh more than 0 and at most 100 grams."));
            }
        }

        problems.AddRange(CodeProblems(mapping, protocol));
        return [.. problems];
    }

    private static Dictionary<string, TitratedProduct?> IngredientsOf(ProtocolDefinition protocol)
    {
        Dictionary<string, TitratedProduct?> ingredients = new(StringComparer.Ordinal);
        foreach (OtherProduct other in protocol.OtherRetinoids.Concat(protocol.InteractingTopicals))
        {
            ingredients[other.Ingredient] = null;
        }

        foreach (TitratedProduct product in protocol.Products)
        {
            ingredients[product.Ingredient] = product;
        }

        return ingredients;
    }

    private static void Check(
        MappedProduct product, Dictionary<string, TitratedProduct?> ingredients, string path, List<MappingProblem> problems)
    {
        if (!ingredients.TryGetValue(product.Ingredient, out TitratedProduct? titrated))
        {
            problems.Add(new($"{path}.ingredient", "The protocol knows no such ingredient."));
        }
        else if (product.StrengthPercent is { } strength && titrated is not null && !titrated.StrengthsPercent.Contains(strength))
        {
            problems.Add(new($"{path}.strengthPercent", "The protocol has no such strength of this ingredient."));
        }
    }

    private static void Check(MappedAnswer answer, string path, List<MappingProblem> problems)
    {
        int given = (answer.Grade is null ? 0 : 1) + (answer.Boolean is null ? 0 : 1) + (answer.Effect is null ? 0 : 1) + (answer.Unknown ? 1 : 0);
        if (given != 1)
        {
            problems.Add(new(path, "Exactly one of grade, boolean, effect and unknown must be given."));
        }

        if (answer.Grade is < (int)Grade.None or > (int)Grade.Severe)
        {
            problems.Add(new($"{path}.grade", "A grade is 0, 1, 2 or 3."));
        }
    }

    /// <summary>Codes that are empty, stand twice, or are known without the mapping.</summary>
    private static IEnumerable<MappingProblem> CodeProblems(MappingFile mapping, ProtocolDefinition protocol)
    {
        Vocabulary builtIn = Vocabulary.Of(protocol);
        return
        [
            .. Codes("products", [.. mapping.Products.Select(p => new SystemCode(p.System, p.Code))], c => builtIn.ProductOf(c) is not null),
            .. Codes("observations", [.. mapping.Observations.Select(o => new SystemCode(o.System, o.Code))], c => builtIn.MeaningOf(c) is not null),
            .. Codes("answers", [.. mapping.Answers.Select(a => new SystemCode(a.System, a.Code))], c => builtIn.AnswerOf(c) is not null),
            .. Codes("units", [.. mapping.Units.Select(u => new SystemCode(u.System, u.Code))], c => builtIn.GramsOf(c) is not null, mayLackSystem: true),
            .. Codes("ignored", mapping.Ignored, c => builtIn.ProductOf(c) is not null || builtIn.MeaningOf(c) is not null),
        ];
    }

    private static IEnumerable<MappingProblem> Codes(
        string list, ImmutableArray<SystemCode> codes, Func<SystemCode, bool> isBuiltIn, bool mayLackSystem = false)
    {
        HashSet<SystemCode> seen = [];
        for (int i = 0; i < codes.Length; i++)
        {
            if (codes[i].Code.Length == 0 || (codes[i].System.Length == 0 && !mayLackSystem))
            {
                yield return new($"{list}[{i}]", "A code and its system must not be empty.");
            }
            else if (!seen.Add(codes[i]))
            {
                yield return new($"{list}[{i}].code", "This code stands in the list more than once.");
            }
            else if (isBuiltIn(codes[i]))
            {
                yield return new($"{list}[{i}].code", "This code has a meaning without the mapping file, which cannot change it.");
            }
        }
    }
}
