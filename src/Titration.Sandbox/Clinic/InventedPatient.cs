using System.Text.Json.Nodes;

namespace Titration.Sandbox.Clinic;

/// <summary>Where an invented patient stands: the order followed, what is left in the tube, what they were asked and told.</summary>
internal sealed class InventedPatient(PatientStory story, DateOnly courseStart)
{
    private double _owed;
    private int _appliedSinceReport;
    private decimal _gramsLeft;
    private int _repeatsLeft;

    public PatientStory Story => story;

    public DateOnly CourseStart => courseStart;

    /// <summary>Logical id of the order followed; null before the first and after the last.</summary>
    public string? Order { get; private set; }

    public InventedProduct Product { get; private set; } = story.Product;

    public JsonNode? Dosage { get; private set; }

    public DateOnly StepStart { get; private set; }

    public bool OnHold { get; set; }

    /// <summary>Told to leave the product out, and not yet to start again.</summary>
    public bool Pauses { get; set; }

    /// <summary>Check-in requests that stand and were not answered.</summary>
    public HashSet<string> Asked { get; } = new(StringComparer.Ordinal);

    /// <summary>What is still to be sent, and when.</summary>
    public List<(DateOnly On, JsonObject Resource)> Unsent { get; } = [];

    public int Orders { get; private set; }

    public int Observations { get; set; }

    public int CheckIns { get; set; }

    /// <summary>Proposals that were declined.</summary>
    public int Declined { get; set; }

    public int DayOfCourse(DateOnly today) => today.DayNumber - courseStart.DayNumber;

    public void Follow(string order, InventedProduct product, JsonNode dosage, DateOnly from)
    {
        Order = order;
        Product = product;
        Dosage = JsonNode.Parse(dosage.ToJsonString());
        StepStart = from;
        Orders++;
        Pauses = false;
        _gramsLeft = story.Supply.Grams;
        _repeatsLeft = story.Supply.Repeats;
    }

    public void Stop() => Order = null;

    /// <summary>Lets a night pass: planned applications add up, and the patient makes those of the story while the tubes last.</summary>
    public void Night(DateOnly night)
    {
        if (Order is null || OnHold || Pauses || Dosage is null)
        {
            return;
        }

        JsonNode repeat = Dosage["timing"]!["repeat"]!;
        double planned = (double)repeat["frequency"]!.GetValue<decimal>() / (double)repeat["period"]!.GetValue<decimal>();
        _owed += Math.Min(1, planned * story.Applies(DayOfCourse(night)));
        if (_owed >= 1 - 1e-9 && HasFor(Dosage["doseAndRate"]![0]!["doseQuantity"]!["value"]!.GetValue<decimal>()))
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

    private bool HasFor(decimal grams)
    {
        if (_gramsLeft < grams && _repeatsLeft > 0)
        {
            _repeatsLeft--;
            _gramsLeft += story.Supply.Grams;
        }

        bool enough = _gramsLeft >= grams;
        _gramsLeft -= enough ? grams : 0;
        _owed = enough ? _owed : 0;
        return enough;
    }
}
