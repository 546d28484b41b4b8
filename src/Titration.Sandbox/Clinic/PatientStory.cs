namespace Titration.Sandbox.Clinic;

/// <summary>An invented patient: who they are, how their skin does, and how they behave.</summary>
public sealed record PatientStory
{
    public required string Id { get; init; }

    /// <summary>What the story is about, in a sentence.</summary>
    public required string Plot { get; init; }

    public int BirthYear { get; init; } = 1992;

    public InventedProduct Product { get; init; } = InventedProduct.Tretinoin;

    /// <summary>Nights in so many days of the first order.</summary>
    public (int Nights, int Days) FirstFrequency { get; init; } = (1, 2);

    public bool Cautious { get; init; }

    /// <summary>Day of the simulation on which the first order is written.</summary>
    public int StartsOn { get; init; }

    /// <summary>Grades of redness, peeling, dryness and burning on a day of the course, and a day of the present step.</summary>
    public Func<int, int, int[]> Skin { get; init; } = Settling;

    /// <summary>Applications made of those planned: 1 as told, 0 none, 2 every night instead of alternate ones.</summary>
    public Func<int, double> Applies { get; init; } = _ => 1;

    /// <summary>Whether a check-in request is answered on this day of the course.</summary>
    public Func<int, bool> Answers { get; init; } = _ => true;

    /// <summary>Whether nights are counted in the answers.</summary>
    public bool CountsNights { get; init; } = true;

    public Prescriber Prescriber { get; init; } = Prescriber.All[0];

    /// <summary>Grams in one tube, and how often the order may be filled again.</summary>
    public (decimal Grams, int Repeats) Supply { get; init; } = (30m, 3);

    /// <summary>What becomes of the n-th check-in, counted from 0, after it was written.</summary>
    public Func<int, Aftermath> After { get; init; } = _ => Aftermath.None;

    /// <summary>Things that happen on a day of the course.</summary>
    public IReadOnlyList<Happening> Happenings { get; init; } = [];

    /// <summary>Mild for the first days of a step, then nothing to see: how it goes for most.</summary>
    public static int[] Settling(int day, int dayOfStep) => dayOfStep < 9 ? [1, 0, 1, dayOfStep < 5 ? 1 : 0] : [0, 0, dayOfStep % 3 == 0 ? 1 : 0, 0];
}

/// <summary>What is prescribed, by its generic name.</summary>
public sealed record InventedProduct(string Ingredient, string AtcCode, decimal StrengthPercent)
{
    public static InventedProduct Tretinoin { get; } = new("tretinoin", "D10AD01", 0.025m);

    public static InventedProduct Adapalene { get; } = new("adapalene", "D10AD03", 0.1m);
}

/// <summary>Something that happens in a story.</summary>
/// <param name="Day">Day of the course.</param>
/// <param name="Code">
/// Code of the observation, or <c>order:on-hold</c>, <c>order:active</c>, <c>order:stopped</c>, <c>order:isotretinoin</c>, <c>order:switch</c>.
/// </param>
/// <param name="ByClinician">Whose word it is.</param>
/// <param name="Value">A boolean, or the code of an answer.</param>
public sealed record Happening(int Day, string Code, bool ByClinician = false, object? Value = null);

/// <summary>What becomes of a check-in after it was written.</summary>
public enum Aftermath
{
    None,

    /// <summary>It arrives three days late.</summary>
    Late,

    /// <summary>Two days later one grade turns out to have been worse.</summary>
    Amended,

    /// <summary>Two days later it turns out to be somebody else's.</summary>
    EnteredInError,
}
