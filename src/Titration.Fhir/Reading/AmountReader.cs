using Hl7.Fhir.Model;

namespace Titration.Fhir.Reading;

/// <summary>Grams of product, from a FHIR Quantity or the dose of a dosage.</summary>
internal sealed class AmountReader(Vocabulary vocabulary)
{
    // Outside these no cream was ever applied at once, and arithmetic on what is inside stays exact.
    private const decimal LeastGrams = 0.001m;
    private const decimal MostGrams = 1_000m;

    /// <summary>Grams per application; null where they are not certain, or refused in <paramref name="remarks"/>.</summary>
    public decimal? PerApplication(Dosage dosage, string path, Remarks remarks)
    {
        List<(Dosage.DoseAndRateComponent Dose, int Index)> doses = [.. dosage.DoseAndRate.Select((dose, index) => (dose, index))];
        if (doses.Count > 1)
        {
            // A calculated dose may stand beside the ordered one.
            doses.RemoveAll(d => d.Dose.Type?.Coding.Exists(c => c.System == Codes.Systems.DoseRateType && c.Code == "ordered") != true);
        }

        return doses is [({ Rate: null, Dose: Quantity quantity }, var at)]
            ? Grams(quantity, $"{path}.doseAndRate[{at}].doseQuantity", remarks)
            : null;
    }

    /// <summary>Grams in one dispensing; null where they are not known, which refuses nothing.</summary>
    public decimal? PerFill(Quantity? quantity) =>
        quantity is { Value: > 0 and <= MostGrams, Comparator: null } && UnitGrams(quantity) is { } grams ? quantity.Value * grams : null;

    private decimal? Grams(Quantity quantity, string path, Remarks remarks)
    {
        if (quantity.Comparator is not null)
        {
            remarks.Refuse($"{path}.comparator", "An exact amount is needed.");
        }
        else if (quantity.Value is not { } value)
        {
            remarks.Refuse($"{path}.value", "The amount is needed as a number.");
        }
        else if (value is <= 0 or > 1_000_000)
        {
            remarks.Refuse($"{path}.value", "The amount must be above 0, and one that can be applied.");
        }
        else if (UnitGrams(quantity) is not { } grams)
        {
            remarks.Refuse($"{path}.unit", "The unit must be g, mg or a fingertip unit in UCUM, or one that the clinic's mapping file gives in grams.");
        }
        else if (value * grams is < LeastGrams or > MostGrams)
        {
            remarks.Refuse($"{path}.value", "The amount is not one that can be applied; the number or the unit is wrong.");
        }
        else
        {
            return value * grams;
        }

        return null;
    }

    /// <summary>Grams in one unit; null where the unit is unknown or its code and its words say different things.</summary>
    private decimal? UnitGrams(Quantity quantity)
    {
        decimal? words = quantity.Unit is null ? null : vocabulary.GramsOf(new SystemCode("", quantity.Unit));
        if (quantity.Code is null)
        {
            return string.IsNullOrEmpty(quantity.System) ? words : null;
        }

        decimal? code = quantity.System is null ? null : vocabulary.GramsOf(new SystemCode(quantity.System, quantity.Code));
        return words is null || words == code ? code : null;
    }
}
