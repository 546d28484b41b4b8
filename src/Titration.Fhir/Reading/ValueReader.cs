using System.Collections.Immutable;
using Hl7.Fhir.Model;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>
/// The value of an observation in the core's terms. Null without a refusal: nothing was said ("not known"), or its answer is
/// unmapped, which <see cref="Remarks"/> then holds.
/// </summary>
internal sealed class ValueReader(Vocabulary vocabulary)
{
    /// <summary>Nobody counts further back than a year.</summary>
    private const int MostNights = 366;

    public Grade? Grade(Item item, Remarks remarks)
    {
        if (item.Value is CodeableConcept coded)
        {
            return Answer(coded, item, remarks, answer => answer.Grade, "a grade");
        }

        return Whole(item, remarks, "a grade from 0 (none) to 3 (severe)", (int)Protocol.Facts.Grade.None, (int)Protocol.Facts.Grade.Severe) is { } number
            ? (Grade)number
            : null;
    }

    public static int? Count(Item item, Remarks remarks) => Whole(item, remarks, $"a whole number from 0 to {MostNights}", 0, MostNights);

    public bool? YesNo(Item item, Remarks remarks)
    {
        switch (item.Value)
        {
            case FhirBoolean { Value: { } yes }:
                return yes;
            case CodeableConcept coded:
                return Answer(coded, item, remarks, answer => answer.Yes, "a yes or no");
            default:
                remarks.Refuse(item.ValuePath, "A boolean, or a coded yes or no, is needed.");
                return null;
        }
    }

    public Effect? Effect(Item item, Remarks remarks)
    {
        if (item.Value is CodeableConcept coded)
        {
            return Answer(coded, item, remarks, answer => answer.Effect, "a word on the effect");
        }

        remarks.Refuse(item.ValuePath, "A coded answer is needed: enough, more-wanted or none-seen.");
        return null;
    }

    public static DateOnly? Date(Item item, Remarks remarks)
    {
        DateOnly? date = item.Value is FhirDateTime dateTime ? FhirTime.DateAsWritten(dateTime.Value) : null;
        if (date is null)
        {
            remarks.Refuse(item.ValuePath, "A dateTime to the day or better is needed.");
        }

        return date;
    }

    private static int? Whole(Item item, Remarks remarks, string needed, int least, int most)
    {
        decimal? number = item.Value switch
        {
            Integer integer => integer.Value,
            Quantity quantity when IsPlainNumber(quantity) => quantity.Value,
            _ => null,
        };
        if (number is { } n && decimal.IsInteger(n) && n >= least && n <= most)
        {
            return (int)n;
        }

        remarks.Refuse(item.ValuePath, $"An integer, or a Quantity in UCUM {{score}} or 1, is needed: {needed}.");
        return null;
    }

    /// <summary>Without a unit, or in one of UCUM's that add nothing to the number.</summary>
    private static bool IsPlainNumber(Quantity quantity) =>
        quantity.Comparator is null
        && ((quantity.Code is null && quantity.System is null && quantity.Unit is null)
            || (quantity.System == Codes.Systems.Ucum && quantity.Code is Codes.Units.Score or Codes.Units.One));

    private T? Answer<T>(CodeableConcept concept, Item item, Remarks remarks, Func<Answer, T?> say, string what) where T : struct
    {
        ImmutableArray<SystemCode> codes = [.. SystemCodes.Of(concept)];
        ImmutableArray<Answer> answers = [.. codes.Select(vocabulary.AnswerOf).OfType<Answer>()];
        if (codes.IsEmpty)
        {
            remarks.Refuse($"{item.ValuePath}.coding", $"A coded answer is needed: {what}.");
        }
        else if (answers.IsEmpty)
        {
            remarks.Unmapped(codes);
        }
        else
        {
            ImmutableArray<T?> said = [.. answers.Select(say).Distinct()];
            if (said is [var one] && (one is not null || answers.All(a => a == Reading.Answer.Unknown)))
            {
                return one;
            }

            remarks.Refuse($"{item.ValuePath}.coding", $"The answer must be {what}, and only one.");
        }

        return null;
    }
}
