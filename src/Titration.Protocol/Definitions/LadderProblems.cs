using System.Collections.Immutable;
using System.Globalization;
using Titration.Protocol.Courses;

namespace Titration.Protocol.Definitions;

/// <summary>Steps that go down, up in two dimensions at once, or too far; and a cautious ladder that is none.</summary>
internal static class LadderProblems
{
    public static IEnumerable<ProtocolProblem> Of(ProtocolDefinition protocol)
    {
        ImmutableArray<ProtocolProblem> problems =
            [.. Steps(protocol, "/standardLadder", protocol.StandardLadder), .. Steps(protocol, "/cautiousLadder", protocol.CautiousLadder)];
        return IsReadable(protocol.StandardLadder) && IsReadable(protocol.CautiousLadder) ? [.. problems, .. Caution(protocol)] : problems;
    }

    /// <summary>Whether the ladder's numbers can be reckoned with at all.</summary>
    public static bool IsReadable(Ladder ladder) =>
        !ladder.Steps.IsEmpty && ladder.Steps.All(s => s is { Nights: > 0, EveryDays: > 0, GramsPerApplication: > 0 });

    private static IEnumerable<ProtocolProblem> Steps(ProtocolDefinition protocol, string path, Ladder ladder)
    {
        if (!IsReadable(ladder))
        {
            yield return new($"{path}/steps", "needs at least one step, and in each nights, days and grams above 0");
            yield break;
        }

        for (int i = 0; i < ladder.Steps.Length; i++)
        {
            LadderStep step = ladder.Steps[i];
            string at = $"{path}/steps/{i}";
            if (step.Nights > step.EveryDays)
            {
                yield return new($"{at}/nights", $"{Number(step.Nights)} applications in {Number(step.EveryDays)} days are more than one a night");
            }

            if (step.GramsPerApplication > protocol.Dose.FaceMaximumGrams)
            {
                yield return new(
                    $"{at}/gramsPerApplication",
                    $"{Number(step.GramsPerApplication)} g per application is over the face maximum of {Number(protocol.Dose.FaceMaximumGrams)} g (/dose/faceMaximumGrams)");
            }

            if (i > 0)
            {
                foreach (ProtocolProblem problem in Rise(protocol, at, ladder.Steps[i - 1], step))
                {
                    yield return problem;
                }
            }
        }

        foreach (ProtocolProblem problem in NewStrengths(protocol, path, ladder))
        {
            yield return problem;
        }
    }

    private static IEnumerable<ProtocolProblem> Rise(ProtocolDefinition protocol, string at, LadderStep lower, LadderStep step)
    {
        if (step.Frequency < lower.Frequency || step.GramsPerApplication < lower.GramsPerApplication)
        {
            string what = step.Frequency < lower.Frequency ? "fewer nights" : "fewer grams";
            yield return new(at, $"\"{step.Name}\" goes down: {what} than \"{lower.Name}\" below it; a ladder is written gentlest first");
        }
        else if (step.Frequency > lower.Frequency && step.GramsPerApplication > lower.GramsPerApplication)
        {
            yield return new(at, $"\"{step.Name}\" raises nights and grams at once over \"{lower.Name}\"; one dimension goes up at a time");
        }
        else if (step.Frequency == lower.Frequency && step.GramsPerApplication == lower.GramsPerApplication)
        {
            yield return new(at, $"\"{step.Name}\" has the same nights and grams as \"{lower.Name}\" below it");
        }

        decimal ratio = Weekly(step) / Weekly(lower);
        if (ratio > protocol.StepUp.MaximumWeeklyDoseRatio)
        {
            yield return new(
                at, $"\"{step.Name}\" is {Number(ratio)} times the weekly dose of \"{lower.Name}\"; at most {Number(protocol.StepUp.MaximumWeeklyDoseRatio)} times is allowed "
                + "(/stepUp/maximumWeeklyDoseRatio), so it could never be reached");
        }

        if (lower.Barrier && !step.Barrier)
        {
            yield return new($"{at}/barrier", $"\"{step.Name}\" drops the barrier support of \"{lower.Name}\"; once given it is kept");
        }
    }

    // A new strength begins at the ladder's first step, from the top step of the strength below.
    private static IEnumerable<ProtocolProblem> NewStrengths(ProtocolDefinition protocol, string path, Ladder ladder)
    {
        decimal restart = Weekly(ladder.Steps[0]) / Weekly(ladder.Steps[^1]);
        for (int p = 0; p < protocol.Products.Length; p++)
        {
            TitratedProduct product = protocol.Products[p];
            for (int s = 1; s < product.StrengthsPercent.Length; s++)
            {
                decimal lower = product.StrengthsPercent[s - 1];
                decimal higher = product.StrengthsPercent[s];
                if (lower > 0 && higher / lower * restart > protocol.StepUp.MaximumWeeklyDoseRatio)
                {
                    yield return new(
                        $"{path}/steps/0",
                        $"{product.Ingredient} {Number(higher)} % at the first step is {Number(higher / lower * restart)} times the weekly dose of {Number(lower)} % at the top step; "
                        + $"at most {Number(protocol.StepUp.MaximumWeeklyDoseRatio)} times is allowed, so that strength could never be reached");
                }
            }
        }
    }

    private static IEnumerable<ProtocolProblem> Caution(ProtocolDefinition protocol)
    {
        (Ladder standard, Ladder cautious) = (protocol.StandardLadder, protocol.CautiousLadder);
        if (cautious.MinimumDaysOnStep < standard.MinimumDaysOnStep)
        {
            yield return new(
                "/cautiousLadder/minimumDaysOnStep",
                $"{cautious.MinimumDaysOnStep} days are fewer than the {standard.MinimumDaysOnStep} of the standard ladder: the cautious ladder must not be faster");
        }

        if (Weekly(cautious.Steps[0]) > Weekly(standard.Steps[0]))
        {
            yield return new("/cautiousLadder/steps/0", "starts with more grams a week than the standard ladder: the cautious ladder must not be stronger");
        }

        if (Weekly(cautious.Steps[^1]) > Weekly(standard.Steps[^1]))
        {
            yield return new($"/cautiousLadder/steps/{cautious.Steps.Length - 1}", "ends with more grams a week than the standard ladder: the cautious ladder must not be stronger");
        }

        if (standard.Steps[0].Barrier && !cautious.Steps[0].Barrier)
        {
            yield return new("/cautiousLadder/steps/0/barrier", "the standard ladder starts with barrier support and the cautious one without");
        }
    }

    private static decimal Weekly(LadderStep step) => new Step(1, step.Frequency, step.GramsPerApplication, step.Barrier).WeeklyGrams;

    private static string Number(decimal value) => value.ToString("0.####", CultureInfo.InvariantCulture);
}
