using System.Text;
using Titration.Protocol.Decisions;
using Titration.Storage.Ledger;

namespace Titration.Storage.Tests.Tampering;

/// <summary>A small clinic's record, drawn by a seed: facts, decisions, an erasure, signed checkpoints that were exported, and what came after the last one.</summary>
internal sealed class RecordedClinic(DatabaseFixture fixture, CheckpointFolder folder, LedgerKey key, Random random)
{
    /// <summary>Of the key that the marks of erased patients are made with.</summary>
    public static readonly byte[] KeyMark = [7];

    private static readonly DateTimeOffset Start = new(2026, 3, 1, 9, 0, 0, TimeSpan.Zero);

    private readonly Dictionary<string, int> _facts = new(StringComparer.Ordinal);
    private DateTimeOffset _now = Start;
    private string _policy = "";

    /// <summary>Records it.</summary>
    /// <param name="turns">How often something arrives or is decided.</param>
    /// <param name="patients">How many there are.</param>
    /// <param name="erasures">Whether some are erased.</param>
    public async Task RecordAsync(int turns, int patients, bool erasures, CancellationToken cancellationToken)
    {
        await using (TitrationDbContext database = fixture.Open())
        {
            _policy = await database.RecordPolicyAsync([new PolicyPart("protocol", Encoding.UTF8.GetBytes("{}"))], Start, cancellationToken);
        }

        for (int turn = 0; turn < turns; turn++)
        {
            _now = _now.AddMilliseconds(random.Next(1, 100_000_000));
            await TurnAsync($"p{random.Next(patients)}", cancellationToken);
            if (random.Next(6) == 0)
            {
                await SealAsync(cancellationToken);
            }

            if (erasures && random.Next(25) == 0)
            {
                await EraseAsync($"p{random.Next(patients)}", cancellationToken);
            }
        }
    }

    /// <summary>Takes a checkpoint and exports it.</summary>
    public async Task SealAsync(CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = fixture.Open();
        if (await database.TakeCheckpointAsync(_now, key.Sign, cancellationToken) is { } taken)
        {
            byte[]? previous = (await database.CheckpointAsync(taken.Id - 1, cancellationToken))?.Row.RootHash;
            await folder.WriteAsync((await database.CheckpointAsync(taken.Id, cancellationToken))!, previous, cancellationToken);
        }
    }

    public async Task EraseAsync(string patient, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = fixture.Open();
        await using var transaction = await database.Database.BeginTransactionAsync(cancellationToken);
        await database.EraseAsync(patient, Encoding.UTF8.GetBytes(patient), KeyMark, (_, _) => Telling.NotOfPatient, _now, key, cancellationToken);
        await transaction.CommitAsync(cancellationToken);
    }

    /// <summary>Facts arrive, or something is decided, or both.</summary>
    public async Task TurnAsync(string patient, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = fixture.Open();
        await using var transaction = await database.Database.BeginTransactionAsync(cancellationToken);
        PatientRecord record = (await database.LoadPatientsAsync([patient], cancellationToken))[0];
        int arrive = random.Next(3);
        for (int n = 0; n < arrive; n++)
        {
            int number = _facts[patient] = _facts.GetValueOrDefault(patient) + 1;
            Titration.Protocol.Facts.Fact drawn = Sample.Facts(patient)[random.Next(Sample.Facts(patient).Length)];
            drawn = drawn with { Source = drawn.Source with { VersionId = $"{number}", LastUpdated = random.Next(3) == 0 ? null : _now } };
            record.AddFacts([new ReceivedFact(drawn, _now, random.Next(2) == 0 ? null : "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01")]);
        }

        if (arrive == 0 || random.Next(3) > 0)
        {
            Evaluation evaluation = (random.Next(2) == 0 ? Sample.FullEvaluation(patient) : Sample.Evaluation(patient, _now)) with { AsOf = record.AsOf(_now) };
            record.AppendDecision(evaluation with { Outcome = random.Next(4) == 0 ? null : Outcome.Maintain }, _policy, "input");
        }

        await database.SaveChangesAsync(cancellationToken);
        await transaction.CommitAsync(cancellationToken);
    }
}
