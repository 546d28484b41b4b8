using System.Globalization;
using System.Text.Json.Nodes;
using Titration.TestKit.Builders;

namespace Titration.Integration.Tests.Faults;

/// <summary>What a message brings: known facts are how a test sees that it was taken in.</summary>
internal sealed record LoadFact(string Type, string Id, string Version);

/// <summary>A message of the clinic's.</summary>
/// <param name="RoutingKey">Its routing key.</param>
/// <param name="Body">A resource, a Bundle or a notification.</param>
/// <param name="Brings">The facts that come of it.</param>
/// <param name="Stored">What is on the FHIR server before it is sent, since it only names it.</param>
internal sealed record LoadMessage(string RoutingKey, JsonObject Body, IReadOnlyList<LoadFact> Brings, IReadOnlyList<JsonObject> Stored)
{
    public static LoadMessage Of(JsonObject resource) => new(resource["resourceType"]!.GetValue<string>(), resource, [FactOf(resource)], []);

    public static LoadMessage Together(params JsonObject[] resources) =>
        new("Bundle", FhirJson.Bundle("collection", [.. resources.Select(r => r.DeepClone().AsObject())]), [.. resources.Select(FactOf)], []);

    /// <summary>An id-only notification; the server gives what it stores version 1.</summary>
    public static LoadMessage Named(JsonObject resource)
    {
        string reference = $"{resource["resourceType"]}/{resource["id"]}";
        JsonObject notification = new()
        {
            ["resourceType"] = "Bundle",
            ["type"] = "history",
            ["entry"] = new JsonArray(new JsonObject
            {
                ["fullUrl"] = $"https://fhir.clinic.example.org/r4/{reference}",
                ["request"] = new JsonObject { ["method"] = "PUT", ["url"] = reference },
                ["response"] = new JsonObject { ["status"] = "200" },
            }),
        };
        return new("Bundle", notification, [FactOf(resource)], [resource]);
    }

    private static LoadFact FactOf(JsonObject resource) =>
        new(resource["resourceType"]!.GetValue<string>(), resource["id"]!.GetValue<string>(), resource["meta"]?["versionId"]?.GetValue<string>() ?? "");
}

/// <summary>An instant of the simulated time and what is sent then: of a patient one message at most, so that no order of arrival has to be right.</summary>
/// <param name="At">The instant.</param>
/// <param name="Messages">What is known in advance.</param>
/// <param name="Answers">Answers to Tasks that stand on the server then, by patient: the status, and whether it is an approval.</param>
internal sealed record LoadRound(DateTimeOffset At, IReadOnlyList<LoadMessage> Messages, IReadOnlyDictionary<string, string> Answers);

/// <summary>
/// A month at a simulated clinic, a few patients to each of the things that happen there. It is the same with every run; the next month has other patients,
/// and at its end all treatment is stopped.
/// </summary>
internal sealed class ClinicLoad
{
    private const int Each = 2;
    private static readonly DateTimeOffset First = new(2021, 3, 1, 0, 0, 0, TimeSpan.Zero);
    private static readonly string[] Stories =
    [
        "steady", "declined", "silent", "swelling", "early", "severe", "lasting", "sunburnt", "stopped", "corrected", "named", "bundled",
    ];

    private readonly ClinicDays _days;
    private readonly int _month;

    /// <param name="month">From 0.</param>
    public ClinicLoad(int month)
    {
        _month = month;
        _days = new ClinicDays(First.AddDays(40 * month));
    }

    /// <summary>Before anything of it happens.</summary>
    public DateTimeOffset Start => _days.At(0, 8);

    public IReadOnlyList<string> Patients => [.. Stories.SelectMany(Of)];

    public IEnumerable<LoadRound> Rounds()
    {
        yield return Round(0, 9, Patients.Select(p => LoadMessage.Of(FhirJson.Patient(p, lastUpdated: Text(_days.At(0, 8))))));
        yield return Round(0, 20, Patients.Except([.. Of("bundled"), .. Of("named")]).Select(p => LoadMessage.Of(_days.Order(p)))
            .Append(LoadMessage.Together([.. Of("bundled").Select(_days.Order)])).Concat(Of("named").Select(p => LoadMessage.Named(_days.Order(p)))));
        yield return Round(5, 20,
            [
                .. new[] { "steady", "declined", "stopped", "sunburnt", "severe" }.SelectMany(Of).Select(p => LoadMessage.Of(_days.CheckIn(p, 5, applied: 3))),
                .. Of("swelling").Select(p => LoadMessage.Of(_days.Swelling(p, 5))),
                .. new[] { "early", "corrected" }.SelectMany(Of).Select(p => LoadMessage.Of(_days.CheckIn(p, 5, applied: 3, burning: 3))),
                .. Of("lasting").Select(p => LoadMessage.Of(_days.CheckIn(p, 5, applied: 3, burning: 2))),
                .. Of("named").Select(p => LoadMessage.Named(_days.CheckIn(p, 5, applied: 3))),
                LoadMessage.Together([.. Of("bundled").Select(p => _days.CheckIn(p, 5, applied: 3))]),
            ]);
        yield return Round(6, 20,
            [
                .. Of("corrected").Select(p => LoadMessage.Of(
                    _days.CheckIn(p, 5, applied: 3, burning: 3, version: "2").With(c => c["status"] = "entered-in-error").With(At(6)))),
                .. Of("sunburnt").Select(p => LoadMessage.Of(Said(p, "sunburn", 6))),
            ]);
        yield return Round(8, 20,
            [
                .. Of("stopped").Select(p => LoadMessage.Of(Stopped(p, 8))),
                .. Of("severe").Select(p => LoadMessage.Of(_days.CheckIn(p, 8, applied: 2, burning: 3))),
            ]);
        yield return Round(10, 20, Of("sunburnt").Select(p => LoadMessage.Of(Said(p, "recovered", 10))));
        yield return Round(13, 20,
            [
                .. new[] { "steady", "declined" }.SelectMany(Of).Select(p => LoadMessage.Of(_days.CheckIn(p, 13, applied: 4))),
                .. new[] { "lasting" }.SelectMany(Of).Select(p => LoadMessage.Of(_days.CheckIn(p, 13, applied: 4, burning: 2))),
                .. new[] { "severe", "sunburnt" }.SelectMany(Of).Select(p => LoadMessage.Of(_days.CheckIn(p, 13, applied: 0))),
                .. Of("named").Select(p => LoadMessage.Named(_days.CheckIn(p, 13, applied: 4))),
                LoadMessage.Together([.. Of("bundled").Select(p => _days.CheckIn(p, 13, applied: 4))]),
            ]);
        yield return Round(14, 20, []) with
        {
            Answers = Of("steady").Concat(Of("named")).ToDictionary(p => p, _ => "approved").Concat(Of("declined").ToDictionary(p => p, _ => "rejected")).ToDictionary(),
        };
        yield return Round(15, 20, Of("steady").Select(p => LoadMessage.Together(
            FhirJson.MedicationRequest(id: $"rx-{p}-2", patient: p, authoredOn: Text(_days.At(15, 9)), period: 1, prior: $"rx-{p}"), Stopped(p, 15))));
        yield return Round(18, 20, new[] { "steady", "severe" }.SelectMany(Of).Select(p => LoadMessage.Of(_days.CheckIn(p, 18, applied: 3))));
        yield return Round(22, 20, new[] { "declined", "early" }.SelectMany(Of).Select(p => LoadMessage.Of(_days.CheckIn(p, 22, applied: 3))));
        yield return Round(25, 20, Patients.Except([.. Of("stopped"), .. Of("steady")]).Select(p => LoadMessage.Of(Stopped(p, 25)))
            .Concat(Of("steady").Select(p => LoadMessage.Of(Stopped(p, 25, "-2")))));
    }

    private LoadRound Round(int day, double hour, IEnumerable<LoadMessage> messages) =>
        new(_days.At(day, hour), [.. messages], new Dictionary<string, string>(StringComparer.Ordinal));

    private IEnumerable<string> Of(string story) => Enumerable.Range(1, Each).Select(i => $"{story}-{_month:00}-{i}");

    private JsonObject Said(string patient, string code, int day) => FhirJson.Observation(
        code, "valueBoolean", true, id: $"{code}-{patient}-{day}", patient: patient, effective: Text(_days.At(day, 19)));

    private JsonObject Stopped(string patient, int day, string which = "")
    {
        JsonObject order = which.Length == 0
            ? _days.Order(patient)
            : FhirJson.MedicationRequest(id: $"rx-{patient}{which}", patient: patient, authoredOn: Text(_days.At(15, 9)), period: 1, prior: $"rx-{patient}");
        order["status"] = "stopped";
        order["meta"]!["versionId"] = "2";
        return order.With(At(day));
    }

    private Action<JsonObject> At(int day) => resource => resource["meta"]!["lastUpdated"] = Text(_days.At(day, 19.5));

    private static string Text(DateTimeOffset instant) => instant.ToString("yyyy-MM-ddTHH:mm:ssZ", CultureInfo.InvariantCulture);
}
