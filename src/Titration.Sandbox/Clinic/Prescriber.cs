namespace Titration.Sandbox.Clinic;

/// <summary>How a prescriber deals with what the service asks.</summary>
public enum Temper
{
    /// <summary>Within a day: approves, and writes the order.</summary>
    Prompt,

    /// <summary>The same, after most of a week.</summary>
    Slow,

    /// <summary>Answers nothing.</summary>
    Silent,

    /// <summary>Declines a proposal first, and approves the next.</summary>
    Doubting,

    /// <summary>Approves, and never writes the order.</summary>
    Forgetful,

    /// <summary>Writes the order without answering the Task.</summary>
    OwnWay,
}

/// <summary>An invented prescriber.</summary>
/// <param name="Name">Part of the logical id.</param>
/// <param name="Temper">How they answer.</param>
public sealed record Prescriber(string Name, Temper Temper)
{
    /// <summary>One of each temper.</summary>
    public static IReadOnlyList<Prescriber> All { get; } =
    [
        new("marsh", Temper.Prompt), new("fell", Temper.Slow), new("heath", Temper.Silent),
        new("moor", Temper.Doubting), new("dale", Temper.Forgetful), new("brook", Temper.OwnWay),
    ];

    public string Id => $"role-{Name}";

    public string Reference => $"PractitionerRole/{Id}";

    /// <summary>How long a Task lies before it is taken up; null: for ever.</summary>
    public TimeSpan? Patience => Temper switch
    {
        Temper.Prompt or Temper.Doubting or Temper.Forgetful => TimeSpan.FromHours(20),
        Temper.OwnWay => TimeSpan.FromHours(44),
        Temper.Slow => TimeSpan.FromDays(6),
        Temper.Silent => null,
    };
}
