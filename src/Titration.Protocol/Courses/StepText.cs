using System.Globalization;

namespace Titration.Protocol.Courses;

/// <summary>A step in short, such as <c>0.025 % alternate nights, 0.25 g</c>: for reasons, lists and keys, the same on every machine.</summary>
public static class StepText
{
    public static string Of(Step step)
    {
        string often = step.Frequency.NightsPerWeek switch
        {
            7m => "nightly",
            3.5m => "alternate nights",
            _ when step.Frequency == new Facts.Frequency(1, 3) => "every third night",
            var nights => $"{nights.ToString("0.##", CultureInfo.InvariantCulture)} nights a week",
        };
        return string.Create(
            CultureInfo.InvariantCulture, $"{step.StrengthPercent:0.####} % {often}, {step.GramsPerApplication:0.###} g{(step.Barrier ? ", barrier support" : "")}");
    }
}
