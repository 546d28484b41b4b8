using System.Collections.Immutable;
using System.Text.Json.Nodes;
using Titration.TestKit.Builders;

namespace Titration.Benchmarks.Load;

/// <summary>
/// How many messages a second are read, evaluated and committed by the service, against what the same broker and the same database do with the same bytes at
/// least. Messages pile up first; then they are taken in as fast as it goes.
/// </summary>
internal static class InboundPart
{
    public const string Name = "inbound";

    /// <summary>Days since the newest check-in of the caseload; that of a message is a day younger than today.</summary>
    public const int DaysSinceCheckIn = 6;

    /// <summary>About so many through the bare consumers: with the messages of a round alone it would be over before it is warm.</summary>
    private const int ConsumedMessages = 150_000;

    public static async Task<ImmutableArray<Figure>> RunAsync(LoadServices services, int messages, int rounds, CancellationToken cancellationToken)
    {
        await using LoadSite site = await LoadSite.CreateAsync(services, "shadow", cancellationToken);
        Caseload caseload = new(site, DaysSinceCheckIn);
        Progress.Say($"inbound: a caseload of {messages * (rounds + 1):N0}, a message to each");
        await caseload.FillAsync(0, messages * (rounds + 1), cancellationToken);
        await site.SettleAsync(cancellationToken);
        await using BareDatabase database = await BareDatabase.OpenAsync(site, cancellationToken);
        BareConsumers consumers = new(site.Broker, (ushort)site.Settings.Options.Broker.Prefetch);
        await using ClinicWorker worker = await site.StartWorkerAsync(cancellationToken);

        List<Round> measured = [];
        // The first warms up.
        for (int round = 0; round <= rounds; round++)
        {
            ImmutableArray<ClinicMessage> batch = Messages(caseload, round * messages, messages);
            ImmutableArray<ClinicMessage> many = [.. Enumerable.Repeat(batch, Math.Max(1, ConsumedMessages / messages)).SelectMany(m => m)];
            TimeSpan before = worker.ProcessorTime;
            double service = await Backlog.RateAsync(site, [worker], batch, cancellationToken);
            Round rates = new(
                service,
                (worker.ProcessorTime - before).TotalMilliseconds / messages,
                await database.InsertAsync(batch, perCommit: 100, cancellationToken),
                await database.InsertAsync(batch, perCommit: 1, cancellationToken),
                await consumers.MassTransitAsync(many, cancellationToken),
                await consumers.ClientAsync(many, cancellationToken));
            Progress.Say($"inbound: {(round == 0 ? "warm-up" : $"round {round} of {rounds}")}: service {rates.Service:N0}/s, inserts {rates.Batched:N0}/s batched and {rates.Single:N0}/s one by one, "
                + $"empty consumer {rates.MassTransit:N0}/s, bare client {rates.Client:N0}/s");
            if (round > 0)
            {
                measured.Add(rates);
            }
        }

        return
        [
            Of("service: read, evaluated, committed", "/s", r => r.Service),
            Of("bare inserts, 100 to a commit", "/s", r => r.Batched),
            Of("bare inserts, one to a commit", "/s", r => r.Single),
            Of("empty MassTransit consumer", "/s", r => r.MassTransit),
            Of("bare RabbitMQ.Client consumer", "/s", r => r.Client),
            Of("service to empty MassTransit consumer", "", r => r.Service / r.MassTransit, "at least 0.05; first budget 0.1"),
            Of("service to bare inserts, one to a commit", "", r => r.Service / r.Single, "at least 0.25"),
            Of("service to bare inserts, 100 to a commit", "", r => r.Service / r.Batched, "goal 0.5"),
            Of("processor time of the worker for a message", "ms", r => r.Processor),
            new Figure(Name, "memory of the worker, most", "MB", worker.PeakResident / 1e6),
        ];

        Figure Of(string name, string unit, Func<Round, double> value, string? note = null) => new(Name, name, unit, [.. measured.Select(value)], note);
    }

    /// <summary>
    /// A day at a clinic, in tens: six check-ins that change nothing, two that complete what a step up needs, one with a grade 2, one repeat prescription.
    /// </summary>
    /// <param name="caseload">Of these patients.</param>
    /// <param name="first">Number of the first.</param>
    /// <param name="count">One to each of so many.</param>
    /// <param name="again">How many such messages they have had before.</param>
    public static ImmutableArray<ClinicMessage> Messages(Caseload caseload, int first, int count, int again = 0) =>
        [.. Enumerable.Range(first, count).Select(number => MessageOf(caseload, number, again))];

    private static ClinicMessage MessageOf(Caseload caseload, int number, int again)
    {
        const int Yesterday = 14 + DaysSinceCheckIn - 1;
        string patient = Caseload.PatientId(number);
        (string type, JsonObject resource) = (number % 10) switch
        {
            0 => ("MedicationRequest", FhirJson.MedicationRequest(
                id: $"rx-{patient}-2", patient: patient, prior: $"rx-{patient}", authoredOn: caseload.Days.At(Yesterday, 10).ToString("yyyy-MM-ddTHH:mm:ssZ", null))),
            1 => ("Observation", caseload.Days.CheckIn(patient, Yesterday, applied: 2, burning: 2)),
            2 or 3 => ("Observation", caseload.Days.CheckIn(patient, Yesterday, applied: 3)),
            _ => ("Observation", caseload.Days.CheckIn(patient, Yesterday, applied: 2)),
        };
        resource["id"] = $"{resource["id"]}-{again}";
        return ClinicMessage.Of(type, resource, patient);
    }

    private sealed record Round(double Service, double Processor, double Batched, double Single, double MassTransit, double Client);
}
