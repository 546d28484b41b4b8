using System.Collections.Immutable;
using System.Net.Http.Json;
using System.Text.Json.Nodes;
using Titration.TestKit;

namespace Titration.Benchmarks.Load;

/// <summary>
/// From the instant at which a message is meant to be sent to the one at which what follows from it stands on the FHIR server, by the server's own clock, which is this
/// machine's. Messages come at a fixed rate whatever the service does (open loop): one that has to wait counts from when it should have been sent.
/// </summary>
internal static class LatencyPart
{
    public const string Name = "latency";

    private const int WarmUp = 500;

    public static async Task<ImmutableArray<Figure>> RunAsync(LoadServices services, IEnumerable<int> rates, int seconds, CancellationToken cancellationToken)
    {
        await using LoadSite site = await LoadSite.CreateAsync(services, "live", cancellationToken);
        Caseload caseload = new(site, InboundPart.DaysSinceCheckIn);
        using FhirServerView server = new(services.Fhir);
        await server.ResetAsync(cancellationToken);
        await using ClinicWorker worker = await site.StartWorkerAsync(cancellationToken);
        int first = 0;
        await MeasureAsync(50, WarmUp);
        List<Figure> figures = [];
        foreach (int rate in rates)
        {
            Progress.Say($"latency: {rate}/s for {seconds} s");
            (double[] urgent, double[] ordinary) = await MeasureAsync(rate, rate * seconds);
            figures.AddRange(Quantiles($"{rate}/s, emergency to referral", urgent, rate == 100 ? "p99 under 500" : null));
            figures.AddRange(Quantiles($"{rate}/s, check-in to proposal", ordinary, null));
        }

        return [.. figures];

        async Task<(double[] Urgent, double[] Ordinary)> MeasureAsync(int rate, int count)
        {
            await caseload.FillAsync(first, count, cancellationToken);
            await site.SettleAsync(cancellationToken);
            ImmutableArray<ClinicMessage> messages = [.. Enumerable.Range(first, count).Select(number => MessageOf(caseload, number))];
            first += count;
            Dictionary<string, DateTimeOffset> urgent = [], ordinary = [];
            ImmutableArray<DateTimeOffset> meant = await OpenLoop.PublishAsync(site, messages, rate, cancellationToken);
            foreach ((int i, ClinicMessage message) in messages.Index())
            {
                (int kind, _) = KindOf(first - count + i);
                (kind == 0 ? urgent : kind == 1 ? ordinary : []).Add(message.Patient, meant[i]);
            }

            IReadOnlyDictionary<string, DateTimeOffset> visible = await Eventually.BecomesAsync(
                "what follows from the messages on the FHIR server", () => server.FirstMessagesAsync(cancellationToken),
                there => urgent.Keys.Concat(ordinary.Keys).All(there.ContainsKey), cancellationToken, TimeSpan.FromMinutes(10));
            return (Latencies(urgent, visible), Latencies(ordinary, visible));
        }
    }

    /// <summary>In tens: one emergency, two check-ins that complete what a step up needs, seven that change nothing.</summary>
    private static (int Kind, int Applied) KindOf(int number) => (number % 10) switch { 5 => (0, 0), 2 or 3 => (1, 3), _ => (2, 2) };

    private static ClinicMessage MessageOf(Caseload caseload, int number)
    {
        const int Yesterday = 14 + InboundPart.DaysSinceCheckIn - 1;
        string patient = Caseload.PatientId(number);
        (int kind, int applied) = KindOf(number);
        return ClinicMessage.Of("Observation", kind == 0 ? caseload.Days.Swelling(patient, Yesterday) : caseload.Days.CheckIn(patient, Yesterday, applied), patient);
    }

    private static double[] Latencies(Dictionary<string, DateTimeOffset> meant, IReadOnlyDictionary<string, DateTimeOffset> visible) =>
        [.. meant.Select(m => (visible[m.Key] - m.Value).TotalMilliseconds)];

    private static IEnumerable<Figure> Quantiles(string name, double[] milliseconds, string? budget) =>
        new[] { (0.5, "p50"), (0.95, "p95"), (0.99, "p99") }.Select(q => new Figure(Name, $"{name}, {q.Item2}", "ms", Figure.Quantile(milliseconds, q.Item1), q.Item2 == "p99" ? budget : null));
}

/// <summary>What stands on the FHIR server, asked of it by HTTP.</summary>
internal sealed class FhirServerView(Uri fhirBase) : IDisposable
{
    private readonly HttpClient _http = new();

    public async Task ResetAsync(CancellationToken cancellationToken) =>
        (await _http.PostAsync(new Uri(fhirBase, "/__reset"), null, cancellationToken)).EnsureSuccessStatusCode();

    /// <summary>For each patient when the first CommunicationRequest about it was stored.</summary>
    public async Task<IReadOnlyDictionary<string, DateTimeOffset>> FirstMessagesAsync(CancellationToken cancellationToken)
    {
        Dictionary<string, DateTimeOffset> first = new(StringComparer.Ordinal);
        string? page = $"{fhirBase}/CommunicationRequest?_count=1000";
        while (page is not null)
        {
            JsonNode bundle = (await _http.GetFromJsonAsync<JsonNode>(new Uri(page), cancellationToken))!;
            foreach (JsonNode? entry in bundle["entry"]?.AsArray() ?? [])
            {
                JsonNode resource = entry!["resource"]!;
                string patient = resource["subject"]!["reference"]!.GetValue<string>().Split('/')[1];
                DateTimeOffset at = DateTimeOffset.Parse(resource["meta"]!["lastUpdated"]!.GetValue<string>(), null);
                first[patient] = first.TryGetValue(patient, out DateTimeOffset earlier) && earlier < at ? earlier : at;
            }

            page = bundle["link"]!.AsArray().FirstOrDefault(l => l!["relation"]!.GetValue<string>() == "next")?["url"]!.GetValue<string>();
        }

        return first;
    }

    public void Dispose() => _http.Dispose();
}
