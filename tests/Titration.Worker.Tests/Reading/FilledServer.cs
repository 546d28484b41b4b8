using System.Text.Json;
using System.Text.Json.Nodes;
using Microsoft.Extensions.DependencyInjection;
using Titration.Sandbox;
using Titration.TestKit;
using Titration.TestKit.Builders;

namespace Titration.Worker.Tests.Reading;

/// <summary>A FHIR server that has been in use for months before anybody thought of this service: the embedded endpoint on a clock that moves on as it is filled.</summary>
internal sealed class FilledServer : IAsyncDisposable
{
    /// <summary>Of each patient: an order, a check-in a week, and one observation of something else.</summary>
    public const int PerPatient = 20;

    private readonly EmbeddedWorker _host;
    private readonly ShiftedClock _clock;
    private readonly FhirStore _store;

    private FilledServer(EmbeddedWorker host, ShiftedClock clock)
    {
        _host = host;
        _clock = clock;
        _store = host.Services.GetRequiredService<FhirStore>();
    }

    public string BaseUrl => $"{_host.Http.BaseAddress}fhir";

    /// <summary>Each resource that says something of a titration, as <c>Type/id</c>.</summary>
    public List<string> Relevant { get; } = [];

    public static async Task<FilledServer> StartAsync(int patients, CancellationToken cancellationToken)
    {
        DateTimeOffset dayZero = new(TimeProvider.System.GetUtcNow().AddDays(-150).Date, TimeSpan.Zero);
        ShiftedClock clock = new(dayZero);
        FilledServer server = new(await EmbeddedWorker.StartAsync(clock, cancellationToken), clock);
        for (int day = 0; day < 145; day++)
        {
            clock.MoveTo(dayZero.AddDays(day).AddHours(20));
            server._store.InTransaction(() =>
            {
                for (int i = 0; i < patients; i++)
                {
                    server.AddDay($"filled-{i:0000}", day - (i % 7), new ClinicDays(dayZero.AddDays(i % 7)));
                }

                return 0;
            });
        }

        return server;
    }

    /// <summary>The settings of a service that knows this server and has a database of its own.</summary>
    public Dictionary<string, string> SettingsIn(string folder) => new(StringComparer.Ordinal)
    {
        ["Titration__DataFolder"] = folder,
        ["Titration__FhirServer__BaseUrl"] = BaseUrl,
    };

    public void Put(JsonObject resource)
    {
        using JsonDocument document = JsonDocument.Parse(resource.ToJsonString());
        _store.Update(document.RootElement);
    }

    public ValueTask DisposeAsync() => _host.DisposeAsync();

    private void AddDay(string patient, int day, ClinicDays days)
    {
        switch (day)
        {
            case 0:
                Put(FhirJson.Patient(patient));
                Put(new JsonObject
                {
                    ["resourceType"] = "Observation",
                    ["id"] = $"weight-{patient}",
                    ["status"] = "final",
                    ["code"] = FhirJson.Concept("http://loinc.org", "29463-7"),
                    ["subject"] = new JsonObject { ["reference"] = $"Patient/{patient}" },
                    ["effectiveDateTime"] = "2026-01-01",
                    ["valueQuantity"] = FhirJson.Quantity(70, "kg"),
                });
                Add(days.Order(patient));
                break;
            case > 0 and <= 7 * (PerPatient - 2) when day % 7 == 0:
                Add(days.CheckIn(patient, day, applied: 3, burning: day == 7 * (PerPatient - 2) && patient.EndsWith('3') ? 3 : 1));
                break;
        }
    }

    private void Add(JsonObject resource)
    {
        Put(resource);
        Relevant.Add($"{resource["resourceType"]}/{resource["id"]}");
    }
}
