using System.Net;
using System.Net.Http.Headers;
using System.Text;
using System.Text.Json.Nodes;

namespace Titration.Sandbox.Clinic;

/// <summary>
/// An invented clinic that behaves like the world outside: its patients answer requests that stand on the FHIR server, its prescriber
/// takes up Tasks, and its interface engine sends every resource to the service. It knows nothing of how the service decides.
/// </summary>
/// <param name="http">Based at the service's own address.</param>
/// <param name="clock">The simulated time.</param>
/// <param name="stories">Its patients.</param>
public sealed class InventedClinic(HttpClient http, SimulatedClock clock, IReadOnlyList<PatientStory> stories)
{
    private readonly List<InventedPatient> _patients = [];
    private readonly HashSet<string> _asked = [];

    /// <summary>Reference to the clinic that the service is to be configured with.</summary>
    public static string Organization => ClinicResources.Organization;

    /// <summary>Puts the clinic, its prescriber and its patients onto the FHIR server.</summary>
    public async Task OpenAsync(DateOnly firstDay, CancellationToken cancellationToken)
    {
        await PutAsync(ClinicResources.Clinic(), cancellationToken);
        await PutAsync(ClinicResources.Role(), cancellationToken);
        foreach (PatientStory story in stories)
        {
            await PutAsync(ClinicResources.Patient(story), cancellationToken);
            _patients.Add(new InventedPatient(story, firstDay.AddDays(story.StartsOn)));
        }
    }

    /// <summary>A day at the clinic: first orders are written, and the prescriber takes up what stands since yesterday.</summary>
    public async Task DayAsync(DateOnly today, CancellationToken cancellationToken)
    {
        foreach (InventedPatient patient in _patients.Where(p => p.CourseStart == today))
        {
            PatientStory story = patient.Story;
            if (story.Cautious)
            {
                await SendAsync(ClinicResources.Single(NextId(patient), story.Id, "caution", true, clock.GetUtcNow(), byClinician: true), cancellationToken);
            }

            JsonObject dosage = ClinicResources.Dosage(story.FirstFrequency.Nights, story.FirstFrequency.Days, 0.25m);
            await OrderAsync(patient, dosage, story.StrengthPercent, today, cancellationToken);
        }

        foreach (JsonNode task in await SearchAsync("Task?status=requested&_count=200", cancellationToken))
        {
            await TakeUpAsync(task, today, cancellationToken);
        }
    }

    /// <summary>An evening: things happen, patients answer what they were asked, and then comes the night.</summary>
    public async Task EveningAsync(DateOnly today, CancellationToken cancellationToken)
    {
        // What came since the last evening; who was asked before remembers it.
        string since = ClinicResources.Instant(clock.GetUtcNow().AddDays(-1));
        foreach (JsonNode request in await SearchAsync($"CommunicationRequest?status=active&_lastUpdated=gt{since}&_count=200", cancellationToken))
        {
            if (request["category"]?[0]?["coding"]?[0]?["code"]?.GetValue<string>() == "reminder")
            {
                _asked.Add(request["subject"]!["reference"]!.GetValue<string>());
            }
        }

        foreach (InventedPatient patient in _patients.Where(p => p.CourseStart <= today))
        {
            int day = patient.DayOfCourse(today);
            foreach (Happening happening in patient.Story.Happenings.Where(h => h.Day == day))
            {
                await HappenAsync(patient, happening, today, cancellationToken);
            }

            if (_asked.Contains($"Patient/{patient.Story.Id}") && patient.Order is not null && patient.Story.Answers(day))
            {
                await CheckInAsync(patient, today, cancellationToken);
            }

            patient.Night(today);
        }
    }

    private async Task HappenAsync(InventedPatient patient, Happening happening, DateOnly today, CancellationToken cancellationToken)
    {
        string id = patient.Story.Id;
        switch (happening.Code)
        {
            case "checkin-panel":
                await CheckInAsync(patient, today, cancellationToken);
                break;
            case "order:isotretinoin":
                await SendAsync(ClinicResources.OralIsotretinoin($"{id}-oral", id, clock.GetUtcNow()), cancellationToken);
                break;
            case "order:on-hold" or "order:active" or "order:stopped" when patient.Order is { } order:
                string status = happening.Code["order:".Length..];
                patient.OnHold = status == "on-hold";
                await ChangeOrderAsync(order, status, cancellationToken);
                if (status == "stopped")
                {
                    patient.Stop();
                }

                break;
            case "order:on-hold" or "order:active" or "order:stopped":
                break;
            default:
                await SendAsync(ClinicResources.Single(NextId(patient), id, happening.Code, happening.Value, clock.GetUtcNow(), happening.ByClinician), cancellationToken);
                break;
        }
    }

    private async Task CheckInAsync(InventedPatient patient, DateOnly today, CancellationToken cancellationToken)
    {
        _asked.Remove($"Patient/{patient.Story.Id}");
        int[] grades = patient.Story.Skin(patient.DayOfCourse(today), today.DayNumber - patient.StepStart.DayNumber);
        int? nights = patient.Story.CountsNights ? patient.TakeNights() : null;
        await SendAsync(
            ClinicResources.CheckIn(NextId(patient), patient.Story.Id, patient.Order ?? "none", clock.GetUtcNow(), grades, nights, byClinician: false),
            cancellationToken);
    }

    /// <summary>
    /// The prescriber copies the proposed dosage into a new order and completes the Task; other Tasks are completed as seen. One who does
    /// not answer leaves them.
    /// </summary>
    private async Task TakeUpAsync(JsonNode task, DateOnly today, CancellationToken cancellationToken)
    {
        string patientId = task["for"]!["reference"]!.GetValue<string>()["Patient/".Length..];
        InventedPatient? patient = _patients.Find(p => p.Story.Id == patientId);
        DateTimeOffset authored = DateTimeOffset.Parse(task["authoredOn"]!.GetValue<string>(), System.Globalization.CultureInfo.InvariantCulture);
        if (patient is null || !patient.Story.PrescriberAnswers || clock.GetUtcNow() - authored < TimeSpan.FromHours(20))
        {
            return;
        }

        // The Task is read again: since this morning it may have been withdrawn.
        task = await GetAsync($"Task/{task["id"]}", cancellationToken);
        if (task["status"]!.GetValue<string>() != "requested")
        {
            return;
        }

        JsonNode? proposed = task["input"]?.AsArray().FirstOrDefault(i => i!["type"]?["coding"]?[0]?["code"]?.GetValue<string>() == "proposed-dosage")?["valueDosage"];
        await CompleteAsync(task, approved: proposed is not null, cancellationToken);
        if (proposed is not null && patient.Order is not null)
        {
            decimal strength = StrengthOf(task) ?? patient.StrengthPercent;
            await OrderAsync(patient, proposed, strength, today, cancellationToken);
        }

    }

    private static decimal? StrengthOf(JsonNode task)
    {
        string? text = task["input"]?.AsArray().FirstOrDefault(i => i!["type"]?["coding"]?[0]?["code"]?.GetValue<string>() == "proposed-step")?["valueString"]?.GetValue<string>();
        string? number = text?.Split('%')[0].Trim();
        return decimal.TryParse(number, System.Globalization.CultureInfo.InvariantCulture, out decimal strength) ? strength : null;
    }

    private async Task OrderAsync(InventedPatient patient, JsonNode dosage, decimal strength, DateOnly today, CancellationToken cancellationToken)
    {
        string id = $"{patient.Story.Id}-order-{patient.Orders + 1}";
        string? prior = patient.Order;
        await SendAsync(ClinicResources.Order(id, patient.Story, dosage, strength, clock.GetUtcNow(), prior), cancellationToken);
        if (prior is not null)
        {
            await ChangeOrderAsync(prior, "stopped", cancellationToken);
        }

        patient.Follow(id, dosage, strength, today);
    }

    private async Task ChangeOrderAsync(string id, string status, CancellationToken cancellationToken)
    {
        JsonNode order = await GetAsync($"MedicationRequest/{id}", cancellationToken);
        order["status"] = status;
        await SendAsync(order.AsObject(), cancellationToken);
    }

    private async Task CompleteAsync(JsonNode task, bool approved, CancellationToken cancellationToken)
    {
        task["status"] = "completed";
        task["lastModified"] = ClinicResources.Instant(clock.GetUtcNow());
        if (approved)
        {
            task["output"] = new JsonArray(ClinicResources.Approval());
        }

        await SendAsync(task.AsObject(), cancellationToken);
    }

    private static string NextId(InventedPatient patient) => $"{patient.Story.Id}-obs-{++patient.Observations}";

    /// <summary>Stores a resource, and lets the interface engine send the stored version to the service.</summary>
    private async Task SendAsync(JsonObject resource, CancellationToken cancellationToken)
    {
        string stored = await PutAsync(resource, cancellationToken);
        using HttpResponseMessage taken = await http.PostAsync(new Uri("inbound", UriKind.Relative), Body(stored), cancellationToken);
        await RequireAsync(taken, cancellationToken);
    }

    private async Task<string> PutAsync(JsonObject resource, CancellationToken cancellationToken)
    {
        Uri address = new($"fhir/{resource["resourceType"]}/{resource["id"]}", UriKind.Relative);
        using HttpResponseMessage stored = await http.PutAsync(address, Body(resource.ToJsonString()), cancellationToken);
        return await RequireAsync(stored, cancellationToken);
    }

    private async Task<JsonNode> GetAsync(string path, CancellationToken cancellationToken)
    {
        using HttpResponseMessage response = await http.GetAsync(new Uri($"fhir/{path}", UriKind.Relative), cancellationToken);
        return JsonNode.Parse(await RequireAsync(response, cancellationToken))!;
    }

    private async Task<IEnumerable<JsonNode>> SearchAsync(string query, CancellationToken cancellationToken)
    {
        JsonNode bundle = await GetAsync(query, cancellationToken);
        return bundle["entry"]?.AsArray().Select(e => e!["resource"]!.DeepClone()).ToArray() ?? [];
    }

    private static StringContent Body(string json)
    {
        StringContent content = new(json, Encoding.UTF8);
        content.Headers.ContentType = new MediaTypeHeaderValue("application/fhir+json");
        return content;
    }

    private static async Task<string> RequireAsync(HttpResponseMessage response, CancellationToken cancellationToken)
    {
        string body = await response.Content.ReadAsStringAsync(cancellationToken);
        return response.StatusCode is HttpStatusCode.OK or HttpStatusCode.Created
            ? body
            : throw new InvalidOperationException($"{response.RequestMessage?.Method} {response.RequestMessage?.RequestUri?.AbsolutePath} answered {(int)response.StatusCode}: {body}");
    }
}
