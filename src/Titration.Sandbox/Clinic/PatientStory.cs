namespace Titration.Sandbox.Clinic;

/// <summary>An invented patient: who they are, how their skin does, and how they behave.</summary>
public sealed record PatientStory
{
    public required string Id { get; init; }

    /// <summary>What the story is about, in a sentence.</summary>
    public required string Plot { get; init; }

    public int BirthYear { get; init; } = 1992;

    public string Ingredient { get; init; } = "tretinoin";

    public string AtcCode { get; init; } = "D10AD01";

    public decimal StrengthPercent { get; init; } = 0.025m;

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

    /// <summary>Whether the prescriber takes up proposals.</summary>
    public bool PrescriberAnswers { get; init; } = true;

    /// <summary>Things that happen on a day of the course.</summary>
    public IReadOnlyList<Happening> Happenings { get; init; } = [];

    /// <summary>Mild for the first days of a step, then nothing to see: how it goes for most.</summary>
    public static int[] Settling(int day, int dayOfStep) => dayOfStep < 9 ? [1, 0, 1, dayOfStep < 5 ? 1 : 0] : [0, 0, dayOfStep % 3 == 0 ? 1 : 0, 0];
}

/// <summary>Something that happens in a story.</summary>
/// <param name="Day">Day of the course.</param>
/// <param name="Code">Code of the observation, or <c>order:on-hold</c>, <c>order:active</c>, <c>order:stopped</c>, <c>order:isotretinoin</c>.</param>
/// <param name="ByClinician">Whose word it is.</param>
/// <param name="Value">A boolean, or the code of an answer.</param>
public sealed record Happening(int Day, string Code, bool ByClinician = false, object? Value = null);
