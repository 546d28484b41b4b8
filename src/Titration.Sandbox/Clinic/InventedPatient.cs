using System.Text.Json.Nodes;

namespace Titration.Sandbox.Clinic;

/// <summary>Where an invented patient stands: the order followed, the nights since the last answer.</summary>
internal sealed class InventedPatient(PatientStory story, DateOnly courseStart)
{
    private double _owed;
    private int _appliedSinceReport;

    public PatientStory Story => story;

    public DateOnly CourseStart => courseStart;

    /// <summary>Logical id of the order followed; null before the first and after the last.</summary>
    public string? Order { get; private set; }

    public JsonNode? Dosage { get; private set; }

    public decimal StrengthPercent { get; private set; } = story.StrengthPercent;

    public DateOnly StepStart { get; private set; }

    public bool OnHold { get; set; }

    public int Orders { get; private set; }

    public int Observations { get; set; }

    public int DayOfCourse(DateOnly today) => today.DayNumber - courseStart.DayNumber;

    public void Follow(string order, JsonNode dosage, decimal strengthPercent, DateOnly from)
    {
        Order = order;
        Dosage = dosage;
        StrengthPercent = strengthPercent;
        StepStart = from;
        Orders++;
    }

    public void Stop() => Order = null;

    /// <summary>Lets a night pass: planned applications add up, and the patient makes those of the story.</summary>
    public void Night(DateOnly night)
    {
        if (Order is null || OnHold || Dosage is null)
        {
            return;
        }

        JsonNode repeat = Dosage["timing"]!["repeat"]!;
        double planned = (double)repeat["frequency"]!.GetValue<decimal>() / (double)repeat["period"]!.GetValue<decimal>();
        _owed += Math.Min(1, planned * story.Applies(DayOfCourse(night)));
        if (_owed >= 1 - 1e-9)
        {
            _owed -= 1;
            _appliedSinceReport++;
        }
    }

    /// <summary>The nights to report, counted since the last time.</summary>
    public int TakeNights()
    {
        int nights = _appliedSinceReport;
        _appliedSinceReport = 0;
        return nights;
    }
}
