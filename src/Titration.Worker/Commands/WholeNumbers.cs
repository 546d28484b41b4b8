using System.CommandLine.Parsing;
using System.Globalization;

namespace Titration.Worker.Commands;

/// <summary>Whole numbers on the command line.</summary>
public static class WholeNumbers
{
    /// <summary>
    /// The numbers that an option was given, for its <c>CustomParser</c>. One that is below 1, above the most or no number is an error that says what the option takes:
    /// a validator that asks for the value of something that is no number ends the program.
    /// </summary>
    /// <param name="result">What was given.</param>
    /// <param name="most">The largest it takes; left out, any.</param>
    public static int[] Of(ArgumentResult result, int most = int.MaxValue)
    {
        int[] numbers = [.. result.Tokens.Select(t => int.TryParse(t.Value, NumberStyles.None, CultureInfo.InvariantCulture, out int number) ? number : 0)];
        if (numbers.Any(n => n < 1 || n > most))
        {
            result.AddError($"{((OptionResult)result.Parent!).Option.Name} takes {(most == int.MaxValue ? "1 or more" : $"1 to {most}")}.");
        }

        return numbers;
    }
}
