using System.Globalization;
using System.Text.Json.Nodes;

namespace Titration.Sandbox.Clinic;

/// <summary>The prescribers at work: each takes up the Tasks that stand on the FHIR server, in the way of their temper.</summary>
internal sealed class Surgery(ClinicLine line, SimulatedClock clock, IReadOnlyDictionary<string, InventedPatient> patients)
{
    private readonly SortedDictionary<string, JsonObject> _requested = new(StringComparer.Ordinal);
    private DateTimeOffset _lookedAt = DateTimeOffset.UnixEpoch;

    public async Task DayAsync(DateOnly today, CancellationToken cancellationToken)
    {
        foreach (JsonObject task in await line.ChangedAsync("Task", _lookedAt, cancellationToken))
        {
            _requested.Remove(Text(task, "id"));
            // One that is for no patient only counts what waits: it is closed by what it counts.
            if (Text(task, "status") == "requested" && task["for"] is not null)
            {
                _requested.Add(Text(task, "id"), task);
            }
        }

        _lookedAt = clock.GetUtcNow();
        foreach ((string id, JsonObject task) in _requested.ToArray())
        {
            InventedPatient patient = patients[Text(task["for"]!, "reference")];
            DateTimeOffset authored = DateTimeOffset.Parse(Text(task, "authoredOn"), CultureInfo.InvariantCulture);
            if (patient.Story.Prescriber.Patience is { } patience && clock.GetUtcNow() - authored >= patience)
            {
                // It is read again: since the Task before it was taken up it may have been withdrawn.
                JsonObject now = await line.GetAsync($"Task/{id}", cancellationToken);
                _requested.Remove(id);
                if (Text(now, "status") == "requested")
                {
                    await TakeUpAsync(now, patient, today, cancellationToken);
                }
            }
        }
    }

    /// <summary>Writes an order in place of the one before.</summary>
    public async Task OrderAsync(InventedPatient patient, InventedProduct product, JsonNode dosage, DateOnly today, CancellationToken cancellationToken)
    {
        string id = $"{patient.Story.Id}-order-{patient.Orders + 1}";
        string? prior = patient.Order;
        await line.SendAsync(ClinicResources.Order(id, patient.Story, product, dosage, clock.GetUtcNow(), prior), cancellationToken);
        if (prior is not null)
        {
            await ChangeOrderAsync(prior, "stopped", cancellationToken);
        }

        patient.Follow(id, product, dosage, today);
    }

    public async Task ChangeOrderAsync(string id, string status, CancellationToken cancellationToken) =>
        await line.SendAsync(ClinicResources.With(await line.GetAsync($"MedicationRequest/{id}", cancellationToken), status), cancellationToken);

    /// <summary>The proposed dosage is copied into a new order; a Task that proposes none is completed as seen.</summary>
    private async Task TakeUpAsync(JsonObject task, InventedPatient patient, DateOnly today, CancellationToken cancellationToken)
    {
        Temper temper = patient.Story.Prescriber.Temper;
        if (InputOf(task, "proposed-dosage")?["valueDosage"] is not { } proposed)
        {
            await AnswerAsync(task, "completed", approved: false, cancellationToken);
            return;
        }

        if (temper == Temper.Doubting && patient.Declined++ % 2 == 0)
        {
            await AnswerAsync(task, "rejected", approved: false, cancellationToken);
            return;
        }

        if (temper != Temper.OwnWay)
        {
            await AnswerAsync(task, "completed", approved: true, cancellationToken);
        }

        if (temper != Temper.Forgetful && patient.Order is not null)
        {
            decimal strength = InputOf(task, "proposed-strength")?["valueQuantity"]?["value"]?.GetValue<decimal>() ?? patient.Product.StrengthPercent;
            await OrderAsync(patient, patient.Product with { StrengthPercent = strength }, proposed, today, cancellationToken);
        }
    }

    private async Task AnswerAsync(JsonObject task, string status, bool approved, CancellationToken cancellationToken)
    {
        JsonObject answered = ClinicResources.With(task, status);
        answered["lastModified"] = ClinicResources.Instant(clock.GetUtcNow());
        if (approved)
        {
            answered["output"] = new JsonArray(ClinicResources.Approval());
        }
        else if (status == "rejected")
        {
            answered["statusReason"] = ClinicResources.Reason();
        }

        await line.SendAsync(answered, cancellationToken);
    }

    private static JsonNode? InputOf(JsonNode task, string code) =>
        task["input"]?.AsArray().FirstOrDefault(i => i!["type"]?["coding"]?[0]?["code"]?.GetValue<string>() == code);

    private static string Text(JsonNode node, string member) => node[member]!.GetValue<string>();
}
