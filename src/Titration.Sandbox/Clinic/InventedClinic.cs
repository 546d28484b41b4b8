using System.Text.Json.Nodes;

namespace Titration.Sandbox.Clinic;

/// <summary>
/// An invented clinic that behaves like the world outside: its patients answer requests that stand on the FHIR server, its prescribers
/// take up Tasks, and its interface engine sends every resource to the service. It knows nothing of how the service decides.
/// </summary>
public sealed class InventedClinic
{
    // Care advice leaves the treatment as it is; any other instruction that nobody had to approve says to leave the product out.
    private static readonly string[] CareRules = ["fresh-moderate-irritation", "lasting-moderate-irritation"];

    private readonly ClinicLine _line;
    private readonly SimulatedClock _clock;
    private readonly Dictionary<string, InventedPatient> _patients;
    private readonly Surgery _surgery;
    private DateTimeOffset _readAt = DateTimeOffset.UnixEpoch;

    /// <param name="http">Based at the service's own address.</param>
    /// <param name="clock">The simulated time.</param>
    /// <param name="stories">Its patients.</param>
    /// <param name="firstDay">Stories count from it.</param>
    public InventedClinic(HttpClient http, SimulatedClock clock, IReadOnlyList<PatientStory> stories, DateOnly firstDay)
    {
        _line = new ClinicLine(http);
        _clock = clock;
        _patients = stories.ToDictionary(s => $"Patient/{s.Id}", s => new InventedPatient(s, firstDay.AddDays(s.StartsOn)), StringComparer.Ordinal);
        _surgery = new Surgery(_line, clock, _patients);
    }

    /// <summary>Reference to the clinic that the service is to be configured with.</summary>
    public static string Organization => ClinicResources.Organization;

    /// <summary>Puts the clinic, its prescribers and its patients onto the FHIR server.</summary>
    public async Task OpenAsync(CancellationToken cancellationToken)
    {
        await _line.PutAsync(ClinicResources.Clinic(), cancellationToken);
        foreach (Prescriber prescriber in Prescriber.All)
        {
            await _line.PutAsync(ClinicResources.Role(prescriber), cancellationToken);
        }

        foreach (InventedPatient patient in _patients.Values)
        {
            await _line.PutAsync(ClinicResources.Patient(patient.Story), cancellationToken);
        }
    }

    /// <summary>A day at the clinic: first orders are written, and the prescribers take up what stands.</summary>
    public async Task DayAsync(DateOnly today, CancellationToken cancellationToken)
    {
        foreach (InventedPatient patient in _patients.Values.Where(p => p.CourseStart == today))
        {
            PatientStory story = patient.Story;
            if (story.Cautious)
            {
                await SayAsync(patient, "caution", true, byClinician: true, cancellationToken);
            }

            await _surgery.OrderAsync(patient, story.Product, FirstDosage(story), today, cancellationToken);
        }

        await _surgery.DayAsync(today, cancellationToken);
    }

    /// <summary>An evening: patients read what came, things happen, they answer what they were asked, and then comes the night.</summary>
    public async Task EveningAsync(DateOnly today, CancellationToken cancellationToken)
    {
        await ReadAsync(cancellationToken);
        foreach (InventedPatient patient in _patients.Values.Where(p => p.CourseStart <= today))
        {
            int day = patient.DayOfCourse(today);
            foreach (Happening happening in patient.Story.Happenings.Where(h => h.Day == day))
            {
                await HappenAsync(patient, happening, today, cancellationToken);
            }

            if (patient.Asked.Count > 0 && patient.Order is not null && patient.Story.Answers(day))
            {
                await CheckInAsync(patient, today, cancellationToken);
            }

            foreach ((DateOnly On, JsonObject Resource) unsent in patient.Unsent.Where(u => u.On <= today).ToArray())
            {
                patient.Unsent.Remove(unsent);
                await _line.SendAsync(unsent.Resource, cancellationToken);
            }

            patient.Night(today);
        }
    }

    /// <summary>
    /// The messages that changed since the last evening. An approved instruction that was read is done: the clinic's messaging marks it so.
    /// </summary>
    private async Task ReadAsync(CancellationToken cancellationToken)
    {
        IReadOnlyList<JsonObject> changed = await _line.ChangedAsync("CommunicationRequest", _readAt, cancellationToken);
        _readAt = _clock.GetUtcNow();
        foreach (JsonObject message in changed)
        {
            string subject = message["subject"]!["reference"]!.GetValue<string>();
            if (message["recipient"]?[0]?["reference"]?.GetValue<string>() != subject)
            {
                continue;
            }

            InventedPatient patient = _patients[subject];
            string id = message["id"]!.GetValue<string>();
            string rule = message["reasonCode"]![0]!["coding"]![0]!["code"]!.GetValue<string>();
            bool stands = message["status"]!.GetValue<string>() == "active";
            bool instructs = message["category"]![0]!["coding"]![0]!["code"]!.GetValue<string>() == "instruction";
            if (!stands)
            {
                patient.Asked.Remove(id);
            }
            else if (instructs && message["note"] is not null)
            {
                patient.Pauses = false;
                await _line.SendAsync(ClinicResources.With(message, "completed"), cancellationToken);
            }
            else if (instructs)
            {
                patient.Pauses |= !CareRules.Contains(rule, StringComparer.Ordinal);
            }
            else if (rule == "silence")
            {
                patient.Asked.Add(id);
            }
        }
    }

    private async Task HappenAsync(InventedPatient patient, Happening happening, DateOnly today, CancellationToken cancellationToken)
    {
        switch (happening.Code)
        {
            case "checkin-panel":
                await CheckInAsync(patient, today, cancellationToken);
                break;
            case "order:isotretinoin":
                string id = patient.Story.Id;
                await _line.SendAsync(ClinicResources.OralIsotretinoin($"{id}-oral", id, _clock.GetUtcNow()), cancellationToken);
                break;
            case "order:switch" when patient.Order is not null:
                InventedProduct other = patient.Product.Ingredient == InventedProduct.Adapalene.Ingredient ? InventedProduct.Tretinoin : InventedProduct.Adapalene;
                await _surgery.OrderAsync(patient, other, FirstDosage(patient.Story), today, cancellationToken);
                break;
            case "order:on-hold" or "order:active" or "order:stopped" when patient.Order is { } order:
                string status = happening.Code["order:".Length..];
                patient.OnHold = status == "on-hold";
                await _surgery.ChangeOrderAsync(order, status, cancellationToken);
                if (status == "stopped")
                {
                    patient.Stop();
                }

                break;
            case "order:on-hold" or "order:active" or "order:stopped" or "order:switch":
                break;
            default:
                await SayAsync(patient, happening.Code, happening.Value, happening.ByClinician, cancellationToken);
                break;
        }
    }

    private async Task CheckInAsync(InventedPatient patient, DateOnly today, CancellationToken cancellationToken)
    {
        patient.Asked.Clear();
        int[] grades = patient.Story.Skin(patient.DayOfCourse(today), today.DayNumber - patient.StepStart.DayNumber);
        int? nights = patient.Story.CountsNights ? patient.TakeNights() : null;
        JsonObject checkIn = ClinicResources.CheckIn(NextId(patient), patient.Story, patient.Order ?? "none", _clock.GetUtcNow(), grades, nights);
        Aftermath after = patient.Story.After(patient.CheckIns++);
        if (after == Aftermath.Late)
        {
            patient.Unsent.Add((today.AddDays(3), checkIn));
            return;
        }

        await _line.SendAsync(checkIn, cancellationToken);
        if (after != Aftermath.None)
        {
            patient.Unsent.Add((today.AddDays(2), after == Aftermath.Amended ? ClinicResources.Worse(checkIn) : ClinicResources.With(checkIn, "entered-in-error")));
        }
    }

    private async Task SayAsync(InventedPatient patient, string code, object? value, bool byClinician, CancellationToken cancellationToken) =>
        await _line.SendAsync(ClinicResources.Single(NextId(patient), patient.Story, code, value, _clock.GetUtcNow(), byClinician), cancellationToken);

    private static JsonObject FirstDosage(PatientStory story) => ClinicResources.Dosage(story.FirstFrequency.Nights, story.FirstFrequency.Days, 0.25m);

    private static string NextId(InventedPatient patient) => $"{patient.Story.Id}-obs-{++patient.Observations}";
}
