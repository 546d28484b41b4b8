using System.Text.Json.Nodes;

namespace Titration.TestKit.Builders;

/// <summary>
/// The invented patient of these tests: an order at ten in the morning of day 0, and check-ins at seven in the evening of later days, all in UTC.
/// </summary>
public sealed class ClinicDays(DateTimeOffset dayZero)
{
    /// <summary>A day long enough ago that nothing of a course that starts then lies ahead.</summary>
    public static ClinicDays LongAgo() => DaysAgo(60);

    /// <summary>Day 0 is so many days before today, on the real clock.</summary>
    public static ClinicDays DaysAgo(int days) => new(new DateTimeOffset(TimeProvider.System.GetUtcNow().AddDays(-days).Date, TimeSpan.Zero));

    /// <summary>An hour of a day, counted from day 0.</summary>
    public DateTimeOffset At(int day, double hour = 0) => dayZero.AddDays(day).AddHours(hour);

    public JsonObject Order(string patient) =>
        FhirJson.MedicationRequest(id: $"rx-{patient}", patient: patient, authoredOn: Text(At(0, 10)));

    /// <summary>A complete check-in with no sign above 1.</summary>
    public JsonObject CheckIn(string patient, int day, int applied, int burning = 1, string version = "1") => FhirJson.CheckIn(
        id: $"check-{patient}-{day}", patient: patient, version: version, effective: Text(At(day, 19)), burning: burning, missed: null, nightsApplied: applied,
        basedOn: $"rx-{patient}");

    public JsonObject Swelling(string patient, int day) => FhirJson.Observation(
        "facial-swelling", "valueBoolean", true, id: $"swelling-{patient}-{day}", patient: patient, effective: Text(At(day, 19)));

    private static string Text(DateTimeOffset instant) => instant.ToString("yyyy-MM-ddTHH:mm:ssZ");
}
