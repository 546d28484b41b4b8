using System.Collections.Frozen;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>Every code this deployment understands: the protocol's products, the built-in codes, and the clinic's mapping file.</summary>
public sealed class Vocabulary
{
    private readonly FrozenDictionary<SystemCode, CodedProduct> _products;
    private readonly FrozenDictionary<SystemCode, Meaning> _meanings;
    private readonly FrozenDictionary<SystemCode, Answer> _answers;
    private readonly FrozenDictionary<SystemCode, decimal> _units;
    private readonly FrozenSet<SystemCode> _ignored;
    private readonly FrozenDictionary<string, TitratedProduct> _titrated;

    private Vocabulary(ProtocolDefinition protocol, MappingFile mapping)
    {
        _titrated = ByKey(protocol.Products.Select(p => (p.Ingredient, p)));
        _products = ByKey(
        [
            .. protocol.Products.SelectMany(p => Coded(ProductRole.Titrated, p.Ingredient, p.Codes)),
            .. protocol.OtherRetinoids.SelectMany(p => Coded(ProductRole.OtherRetinoid, p.Ingredient, p.Codes)),
            .. protocol.InteractingTopicals.SelectMany(p => Coded(ProductRole.Interacting, p.Ingredient, p.Codes)),
            .. mapping.Products.Select(p => (new SystemCode(p.System, p.Code),
                new CodedProduct(RoleOf(p.Ingredient, protocol), p.Ingredient, p.StrengthPercent, p.Combination))),
        ]);
        _meanings = ByKey([.. BuiltInCodes.Observations,
            .. mapping.Observations.Select(o => (new SystemCode(o.System, o.Code), BuiltInCodes.Own[o.Means]))]);
        _answers = ByKey([.. BuiltInCodes.Answers, .. mapping.Answers.Select(a => (new SystemCode(a.System, a.Code), AnswerOf(a)))]);
        _units = ByKey([.. UnitsOf(protocol.Dose.FingertipUnitGrams), .. mapping.Units.Select(u => (new SystemCode(u.System, u.Code), u.Grams))]);
        _ignored = mapping.Ignored.ToFrozenSet();
    }

    /// <summary>The vocabulary of a protocol and a mapping file without problems (<see cref="MappingJson.Problems"/>).</summary>
    /// <exception cref="ArgumentException">The mapping file has problems.</exception>
    public static Vocabulary Of(ProtocolDefinition protocol, MappingFile? mapping = null)
    {
        if (mapping is not null && mapping.Problems(protocol) is [var first, ..])
        {
            throw new ArgumentException($"The mapping file cannot be used: {first.Path}: {first.Problem}", nameof(mapping));
        }

        return new Vocabulary(protocol, mapping ?? new MappingFile { Name = "none", Version = "0" });
    }

    /// <summary>Whether the code means anything here, be it that it is to be ignored.</summary>
    public bool Knows(string system, string code) => new SystemCode(system, code) is var asked
        && (_products.ContainsKey(asked) || _meanings.ContainsKey(asked) || _answers.ContainsKey(asked) || _units.ContainsKey(asked) || _ignored.Contains(asked));

    internal CodedProduct? ProductOf(SystemCode code) => _products.GetValueOrDefault(code);

    internal Meaning? MeaningOf(SystemCode code) => _meanings.GetValueOrDefault(code);

    internal Answer? AnswerOf(SystemCode code) => _answers.GetValueOrDefault(code);

    /// <summary>Grams in one of these units.</summary>
    internal decimal? GramsOf(SystemCode unit) => _units.TryGetValue(unit, out decimal grams) ? grams : null;

    internal bool Ignores(SystemCode code) => _ignored.Contains(code);

    /// <summary>The strengths of a titrated ingredient; empty for any other.</summary>
    internal ReadOnlySpan<decimal> StrengthsOf(string ingredient) =>
        _titrated.TryGetValue(ingredient, out TitratedProduct? product) ? product.StrengthsPercent.AsSpan() : [];

    private static IEnumerable<(SystemCode, CodedProduct)> Coded(ProductRole role, string ingredient, IEnumerable<ProductCode> codes) =>
        codes.Select(c => (new SystemCode(c.System, c.Code), new CodedProduct(role, ingredient, c.StrengthPercent, c.Combination, c.MinimumAgeYears)));

    private static ProductRole RoleOf(string ingredient, ProtocolDefinition protocol) =>
        protocol.ProductOf(ingredient) is not null ? ProductRole.Titrated
        : protocol.OtherRetinoids.Any(p => p.Ingredient == ingredient) ? ProductRole.OtherRetinoid
        : ProductRole.Interacting;

    private static Answer AnswerOf(MappedAnswer answer) => new((Grade?)answer.Grade, answer.Boolean, answer.Effect);

    // A unit without a code is taken for what it says only where it is exactly a gram or a milligram.
    private static IEnumerable<(SystemCode, decimal)> UnitsOf(decimal fingertipUnitGrams) =>
    [
        (new(Codes.Systems.Ucum, Codes.Units.Gram), 1m),
        (new(Codes.Systems.Ucum, Codes.Units.Milligram), 0.001m),
        (new(Codes.Systems.Ucum, Codes.Units.FingertipUnit), fingertipUnitGrams),
        (new("", Codes.Units.Gram), 1m),
        (new("", Codes.Units.Milligram), 0.001m),
    ];

    /// <summary>The first meaning of a key stands: a mapping never changes what is built in.</summary>
    private static FrozenDictionary<TKey, TValue> ByKey<TKey, TValue>(IEnumerable<(TKey Key, TValue Value)> pairs) where TKey : notnull =>
        pairs.DistinctBy(pair => pair.Key).ToFrozenDictionary(pair => pair.Key, pair => pair.Value);
}
