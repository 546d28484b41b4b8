using System.Collections.Immutable;
using System.Globalization;

namespace Titration.Protocol.Definitions;

/// <summary>Products whose strengths are out of order, and codes that name two products.</summary>
internal static class ProductProblems
{
    public static IEnumerable<ProtocolProblem> Of(ProtocolDefinition protocol)
    {
        Dictionary<string, string> ingredients = new(StringComparer.Ordinal);
        Dictionary<(string System, string Code), string> codes = [];
        List<ProtocolProblem> problems = [];
        for (int i = 0; i < protocol.Products.Length; i++)
        {
            TitratedProduct product = protocol.Products[i];
            string at = $"/products/{i}";
            problems.AddRange(Strengths(product, at));
            problems.AddRange(Named(product.Ingredient, at, ingredients));
            problems.AddRange(Coded(product.Codes, at, codes));
        }

        IEnumerable<(OtherProduct Product, string At)> others =
        [
            .. protocol.OtherRetinoids.Select((p, i) => (p, $"/otherRetinoids/{i}")),
            .. protocol.InteractingTopicals.Select((p, i) => (p, $"/interactingTopicals/{i}")),
        ];
        foreach ((OtherProduct product, string at) in others)
        {
            problems.AddRange(Named(product.Ingredient, at, ingredients));
            problems.AddRange(Coded(product.Codes, at, codes));
        }

        return problems;
    }

    private static IEnumerable<ProtocolProblem> Strengths(TitratedProduct product, string at)
    {
        if (product.StrengthsPercent.IsEmpty)
        {
            yield return new($"{at}/strengthsPercent", $"{product.Ingredient} needs at least one strength");
        }

        for (int i = 0; i < product.StrengthsPercent.Length; i++)
        {
            decimal strength = product.StrengthsPercent[i];
            if (strength <= (i == 0 ? 0 : product.StrengthsPercent[i - 1]))
            {
                yield return new(
                    $"{at}/strengthsPercent/{i}",
                    i == 0 ? $"{Number(strength)} % is no strength" : $"{Number(strength)} % comes after {Number(product.StrengthsPercent[i - 1])} %; strengths are listed lowest first, each once");
            }
        }

        for (int i = 0; i < product.Codes.Length; i++)
        {
            if (product.Codes[i].StrengthPercent is { } named && !product.StrengthsPercent.Contains(named))
            {
                yield return new($"{at}/codes/{i}/strengthPercent", $"{Number(named)} % is none of the strengths of {product.Ingredient}");
            }
        }
    }

    private static IEnumerable<ProtocolProblem> Named(string ingredient, string at, Dictionary<string, string> ingredients)
    {
        if (!ingredients.TryAdd(ingredient, at))
        {
            yield return new($"{at}/ingredient", $"\"{ingredient}\" is listed already ({ingredients[ingredient]})");
        }
    }

    private static IEnumerable<ProtocolProblem> Coded(ImmutableArray<ProductCode> listed, string at, Dictionary<(string System, string Code), string> codes)
    {
        for (int i = 0; i < listed.Length; i++)
        {
            string path = $"{at}/codes/{i}";
            if (!codes.TryAdd((listed[i].System, listed[i].Code), path))
            {
                yield return new(path, $"{listed[i].System}|{listed[i].Code} is listed already ({codes[(listed[i].System, listed[i].Code)]}); a code names one product");
            }
        }
    }

    private static string Number(decimal value) => value.ToString("0.####", CultureInfo.InvariantCulture);
}
