using System.Collections.Immutable;
using System.Globalization;
using System.Threading.Channels;
using Microsoft.EntityFrameworkCore;
using Titration.Fhir.Reading;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.TestKit.Builders;
using Titration.Worker.Configuration;

namespace Titration.Benchmarks.Load;

/// <summary>
/// An invented caseload: adults three weeks into alternate nights of tretinoin 0.025 %, who have told after one and after two weeks how it goes, too few
/// nights for a step up. They are evaluated, decided about and chained as in earnest; only the rows go into the database in bulk.
/// </summary>
internal sealed class Caseload
{
    private const int PerCopy = 2000;
    private const string Template = "template";

    private readonly LoadSite _site;
    private readonly DateTimeOffset _dayZero;
    private readonly ImmutableArray<Fact> _facts;

    /// <param name="site">Where it is to be.</param>
    /// <param name="daysSinceCheckIn">Days since the newest check-in: after 7 the next one is due.</param>
    public Caseload(LoadSite site, int daysSinceCheckIn)
    {
        _site = site;
        _dayZero = new DateTimeOffset(TimeProvider.System.GetUtcNow().UtcDateTime.Date, TimeSpan.Zero).AddDays(-14 - daysSinceCheckIn);
        FhirReader reader = new(site.Settings.Policy.Vocabulary);
        _facts =
        [
            .. new[] { FhirJson.Patient(Template), Days.Order(Template), Days.CheckIn(Template, 7, applied: 2), Days.CheckIn(Template, 14, applied: 2) }
                .SelectMany(resource => reader.Read(resource.ToUtf8())).Cast<ResourceReading.Understood>().Select(r => r.Fact),
        ];
    }

    /// <summary>Orders and check-ins of these patients, counted from the day on which their courses began.</summary>
    public ClinicDays Days => new(_dayZero);

    public static string PatientId(int number) => $"load-{number.ToString("0000000", CultureInfo.InvariantCulture)}";

    /// <summary>Adds patients to the database. They were decided about on the evening of their newest check-in.</summary>
    /// <param name="first">Number of the first.</param>
    /// <param name="count">How many.</param>
    /// <param name="cancellationToken">Ends it.</param>
    public async Task FillAsync(int first, int count, CancellationToken cancellationToken)
    {
        Channel<ImmutableArray<object>> made = Channel.CreateBounded<ImmutableArray<object>>(2);
        Task making = Task.Run(
            async () =>
            {
                // Nothing is saved in it: it only keeps track of what there would be to save.
                await using TitrationDbContext unsaved = _site.Open();
                CheckpointRow? sealedUntil = await unsaved.Checkpoints.AsNoTracking().OrderByDescending(c => c.Id).FirstOrDefaultAsync(cancellationToken);
                foreach (int[] some in Enumerable.Range(first, count).Chunk(PerCopy))
                {
                    foreach (int number in some)
                    {
                        Add(unsaved, PatientId(number));
                    }

                    sealedUntil = Seal(unsaved, sealedUntil);
                    await made.Writer.WriteAsync([.. unsaved.ChangeTracker.Entries().Select(e => e.Entity)], cancellationToken);
                    unsaved.ChangeTracker.Clear();
                }

                made.Writer.Complete();
            },
            cancellationToken);
        await using BulkCopy copy = await BulkCopy.OpenAsync(_site, cancellationToken);
        int done = 0;
        await foreach (ImmutableArray<object> rows in made.Reader.ReadAllAsync(cancellationToken))
        {
            await copy.WriteAsync(rows, cancellationToken);
            done += PerCopy;
            if (done % 100_000 == 0)
            {
                Progress.Say($"caseload: {done:N0} of {count:N0}");
            }
        }

        await making;
    }

    private void Add(TitrationDbContext unsaved, string patient)
    {
        PatientRow row = unsaved.Patients.Add(new PatientRow { Id = patient, NextFactSequence = 1, NextOutboxSequence = 1, ChainId = DecisionChain.NewChainId() }).Entity;
        PatientRecord record = new(unsaved, row, chain: null, [], [], []);
        ClinicPolicy policy = _site.Settings.Policy;
        DateTimeOffset evening = _dayZero.AddDays(14).AddHours(20);
        record.AddFacts(_facts.Select(f => new ReceivedFact(Of(f, patient), evening)));
        ImmutableArray<Evaluation> evaluations = TitrationPolicy.Evaluate(record.History, policy.Protocol, new AsOf(evening, policy.Zone));
        foreach (Evaluation evaluation in evaluations)
        {
            Guid decision = record.AppendDecision(evaluation, policy.Hash, "");
            record.Reconcile(Reconciliation.Of([], evaluation, decision, []), evaluation.Course?.Id, decision, evaluation.AsOf);
            record.Materialise(evaluation, policy.Hash);
        }

        record.LookAgainAt(evaluations.Min(e => e.NextLook));
    }

    /// <summary>What the service does every now and then: a caseload that has grown in years has been sealed long ago.</summary>
    private static CheckpointRow Seal(TitrationDbContext unsaved, CheckpointRow? last)
    {
        long id = (last?.Id ?? 0) + 1;
        CheckpointHeadRow[] heads =
        [
            .. unsaved.Chains.Local.Select(c => new CheckpointHeadRow
            {
                ChainId = c.Id, Length = c.Length, Head = c.Head, Facts = c.Facts, FactHead = c.FactHead, CheckpointId = id,
            }),
        ];
        DateTimeOffset now = TimeProvider.System.GetUtcNow();
        long decisions = (last?.Decisions ?? 0) + heads.Sum(h => h.Length), facts = (last?.Facts ?? 0) + heads.Sum(h => h.Facts);
        CheckpointRow row = new() { Id = id, At = now.Cut(), Decisions = decisions, Facts = facts, RootHash = Checkpoints.RootOf(last?.RootHash, id, now, decisions, facts, heads) };
        unsaved.Add(row);
        unsaved.AddRange(heads);
        return row;
    }

    private static Fact Of(Fact template, string patient)
    {
        Fact fact = template with { Patient = patient, Source = template.Source with { Id = Named(template.Source.Id) } };
        return fact is ObservationFact observation ? observation with { BasedOn = [.. observation.BasedOn.Select(Named)], Performer = $"Patient/{patient}" } : fact;

        string Named(string id) => id.Replace(Template, patient, StringComparison.Ordinal);
    }
}
