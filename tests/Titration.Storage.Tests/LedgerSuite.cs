using CsCheck;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Communications;
using Titration.Protocol.Decisions;
using Titration.Storage.Delivery;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Storage.Tests;

/// <summary>The record of decisions in the database: kept, verified, sealed, and still whole after an erasure.</summary>
public abstract class LedgerSuite(DatabaseFixture fixture) : StorageSuite(fixture)
{
    [Fact]
    public async Task A_decision_comes_back_with_the_bytes_that_were_hashed_and_the_facts_that_were_known()
    {
        Evaluation evaluation = Sample.FullEvaluation("p");
        Guid id = default;
        await ChangeAsync("p", record =>
        {
            record.AddFacts(Sample.Facts("p").Select(Received));
            id = record.NextDecisionId;
            Assert.Equal(id, record.AppendDecision(evaluation, "policy", "input"));
        });

        await using TitrationDbContext database = Open();
        (DecisionRow link, DecisionContentRow? content) = await database.DecisionsOf("p").SingleAsync(Token);

        Assert.Equal(Reconciliation.DecisionId("p", 1), id);
        Assert.Equal(
            (id, "p", evaluation.Course!.Id, Outcome.Maintain, "minimum-time", "input", (long)Sample.Facts("p").Length),
            (content!.DecisionId, content.Patient, content.CourseId, content.Outcome, content.Rule, content.InputDigest, content.FactSequence));
        Assert.Equal((evaluation.AsOf, "policy", 1L), (link.DecidedAt, link.PolicyHash, link.Sequence));
        Assert.Equal(StoredJson.Write(evaluation), content.Content);
        Assert.Equal(StoredJson.Write(evaluation), StoredJson.Write(StoredJson.ReadEvaluation(content.Content)));
    }

    [Fact]
    public async Task The_newest_decisions_of_the_clinic_come_first_and_no_more_than_were_asked_for()
    {
        await DecideAsync("a");
        await DecideAsync("b");
        await DecideAsync("a");
        await using TitrationDbContext database = Open();

        var newest = await database.RecentDecisionsAsync(2, Token);

        Assert.Equal(2, newest.Length);
        Assert.True(newest[0].DecidedAt >= newest[1].DecidedAt);
        Assert.Contains(newest, d => d.Id == Reconciliation.DecisionId("a", 2));
        Assert.All(newest, d => Assert.Equal((Outcome.Maintain, "minimum-time"), (d.Outcome, d.Rule)));
    }

    [Fact]
    public async Task Two_decisions_of_the_same_content_have_salts_and_digests_of_their_own()
    {
        await DecideAsync("p");
        await DecideAsync("p");
        await using TitrationDbContext database = Open();

        List<ChainEntry> entries = await database.DecisionsOf("p").ToListAsync(Token);

        Assert.Equal(entries[0].Content!.Content, entries[1].Content!.Content);
        Assert.NotEqual(entries[0].Content!.Salt, entries[1].Content!.Salt);
        Assert.NotEqual(entries[0].Decision.ContentDigest, entries[1].Decision.ContentDigest);
    }

    [Fact]
    public async Task However_many_decisions_are_appended_the_chains_hold() =>
        await Gen.Select(Gen.Int[1, 4], Gen.Int[0, 5_000].List[1, 6]).SampleAsync(
            async (patients, milliseconds) =>
            {
                await Fixture.EmptyAsync();
                DateTimeOffset now = Now;
                for (int n = 0; n < milliseconds.Count; n++)
                {
                    now = now.AddMilliseconds(milliseconds[n]);
                    await ChangeAsync($"p{n % patients}", record => record.AppendDecision(
                        Sample.Evaluation(record.Patient, record.AsOf(now)) with { Outcome = n % 3 == 0 ? null : Outcome.Maintain }, "policy", "input"));
                }

                List<ChainResult> results = await VerifyAsync();
                return results.TrueForAll(r => r.Break is null) && results.Sum(r => r.Entries) == milliseconds.Count;
            },
            iter: 12,
            threads: 1);

    [Fact]
    public async Task What_is_changed_behind_the_services_back_shows_in_that_patients_chain_and_no_other()
    {
        await DecideThreeTimesAsync("p");
        await DecideThreeTimesAsync("q");
        Assert.All(await VerifyAsync(), result => Assert.Null(result.Break));
        Guid chain = await ChainOfAsync("p");

        await ShowsAsync(
            $"UPDATE decision_content SET outcome = 'StepUp' WHERE chain_id = {chain} AND sequence = 2",
            $"UPDATE decision_content SET outcome = 'Maintain' WHERE chain_id = {chain} AND sequence = 2",
            new ChainBreak(2, LedgerProblem.ContentDiffers));
        await ShowsAsync(
            $"UPDATE decision SET policy_hash = 'other' WHERE chain_id = {chain} AND sequence = 3",
            $"UPDATE decision SET policy_hash = 'policy' WHERE chain_id = {chain} AND sequence = 3",
            new ChainBreak(3, LedgerProblem.HashDiffers));
        await ShowsAsync(
            $"UPDATE chain SET length = 2 WHERE id = {chain}",
            $"UPDATE chain SET length = 3 WHERE id = {chain}",
            new ChainBreak(4, LedgerProblem.EndDiffers));
        await ShowsAsync(
            $"DELETE FROM decision_content WHERE chain_id = {chain} AND sequence = 1", null, new ChainBreak(1, LedgerProblem.ContentMissing));

        async Task ShowsAsync(FormattableString change, FormattableString? undo, ChainBreak expected)
        {
            await ExecuteAsync(change);
            List<ChainResult> results = await VerifyAsync();
            Assert.Equal(expected, results.Single(r => r.Patient == "p").Break);
            Assert.Null(results.Single(r => r.Patient == "q").Break);
            if (undo is not null)
            {
                await ExecuteAsync(undo);
                Assert.All(await VerifyAsync(), result => Assert.Null(result.Break));
            }
        }
    }

    [Fact]
    public async Task A_chain_removed_as_a_whole_shows()
    {
        await DecideThreeTimesAsync("p");
        Guid chain = await ChainOfAsync("p");

        await ExecuteAsync($"DELETE FROM decision_content WHERE chain_id = {chain}");
        await ExecuteAsync($"DELETE FROM decision WHERE chain_id = {chain}");
        await ExecuteAsync($"DELETE FROM chain WHERE id = {chain}");

        Assert.Equal(new ChainBreak(1, LedgerProblem.ChainMissing), Assert.Single(await VerifyAsync()).Break);
    }

    [Fact]
    public async Task A_chain_cut_short_and_its_end_rewritten_verifies_but_a_checkpoint_shows_it()
    {
        await DecideThreeTimesAsync("p");
        await DecideThreeTimesAsync("q");
        Assert.Equal((1, 6), await TakeCheckpointAsync());
        Assert.Null(await TakeCheckpointAsync());
        await DecideAsync("q");
        Assert.Equal((2, 7), await TakeCheckpointAsync());
        Assert.Null(await VerifyCheckpointsAsync());
        Guid chain = await ChainOfAsync("p");

        await ExecuteAsync($"DELETE FROM decision_content WHERE chain_id = {chain} AND sequence = 3");
        await ExecuteAsync($"DELETE FROM decision WHERE chain_id = {chain} AND sequence = 3");
        await ExecuteAsync(
            $"UPDATE chain SET length = 2, head = (SELECT hash FROM decision WHERE chain_id = {chain} AND sequence = 2) WHERE id = {chain}");

        Assert.All(await VerifyAsync(), result => Assert.Null(result.Break));
        Assert.Equal(new LedgerFinding(LedgerProblem.SealedEndDiffers, chain, "p", 3, 1), await VerifyCheckpointsAsync());
    }

    [Fact]
    public async Task A_checkpoint_changed_or_removed_shows()
    {
        foreach (string patient in (string[])["p", "q", "r"])
        {
            await DecideAsync(patient);
            await TakeCheckpointAsync();
        }

        await ExecuteAsync($"UPDATE checkpoint SET decisions = 9 WHERE id = 2");
        Assert.Equal(new LedgerFinding(LedgerProblem.CheckpointDiffers, Checkpoint: 2), await VerifyCheckpointsAsync());
        await ExecuteAsync($"UPDATE checkpoint SET decisions = 2 WHERE id = 2");
        Assert.Null(await VerifyCheckpointsAsync());
        await ExecuteAsync($"DELETE FROM checkpoint_head WHERE checkpoint_id = 2");
        Assert.Equal(new LedgerFinding(LedgerProblem.CheckpointDiffers, Checkpoint: 2), await VerifyCheckpointsAsync());
        await ExecuteAsync($"DELETE FROM checkpoint WHERE id = 2");
        Assert.Equal(new LedgerFinding(LedgerProblem.CheckpointMissing, Checkpoint: 2), await VerifyCheckpointsAsync());
    }

    [Fact]
    public async Task A_checkpoint_is_signed_over_its_root()
    {
        await DecideAsync("p");
        await using TitrationDbContext database = Open();

        CheckpointRow? sealed1 = await database.TakeCheckpointAsync(Now, root => [7, .. root], Token);

        CheckpointRow stored = await database.Checkpoints.SingleAsync(Token);
        Assert.Equal([7, .. sealed1!.RootHash], stored.Signature);
        Assert.Equal(sealed1.RootHash, stored.RootHash);
    }

    [Fact]
    public async Task The_policy_in_force_is_the_one_effective_last_by_then()
    {
        await using TitrationDbContext database = Open();
        string[] hashes = [await RecordAsync("old"), await RecordAsync("new"), await RecordAsync("corrected")];
        database.AddRange(
            Adopted(hashes[0], Now.AddDays(-9), Now.AddDays(-9)), Adopted(hashes[1], Now, Now.AddDays(-2)), Adopted(hashes[2], Now, Now.AddDays(-1)));
        await database.SaveChangesAsync(Token);

        PolicyAdoptions adopted = await database.AdoptedAsync(Token);
        Assert.Null(adopted.InForce(Now.AddDays(-10)));
        Assert.Equal(hashes[0], adopted.InForce(Now.AddMilliseconds(-1))!.PolicyHash);
        Assert.Equal(hashes[2], adopted.InForce(Now)!.PolicyHash);

        Task<string> RecordAsync(string content) => database.RecordPolicyAsync([new PolicyPart("protocol", System.Text.Encoding.UTF8.GetBytes(content))], Now, Token);

        static PolicyAdoptionRow Adopted(string hash, DateTimeOffset from, DateTimeOffset adopted) => new() { PolicyHash = hash, EffectiveFrom = from, AdoptedAt = adopted };
    }

    [Fact]
    public async Task A_policy_is_recorded_once_under_the_hash_of_its_content()
    {
        await using TitrationDbContext database = Open();
        System.Collections.Immutable.ImmutableArray<PolicyPart> parts = [new("protocol", [1, 2]), new("time-zone", [3])];

        string hash = await database.RecordPolicyAsync(parts, Now, Token);
        Assert.Equal(hash, await database.RecordPolicyAsync(parts, Now + Hour, Token));
        PolicyRow row = await database.Policies.AsNoTracking().SingleAsync(Token);

        Assert.Equal((hash, Now), (row.Hash, row.RecordedAt));
        Assert.Equal(["protocol", "time-zone"], PolicyContent.Read(row.Content).Select(p => p.Name));
        Assert.True(PolicyContent.IsOf(row));
        await ExecuteAsync($"UPDATE policy SET content = {PolicyContent.Write([new("protocol", [1]), new("time-zone", [2, 3])])}");
        Assert.Equal(new LedgerFinding(LedgerProblem.PolicyDiffers, Policy: hash), await database.StrayRowsAsync(Token).SingleAsync(Token));
    }

    private async Task DecideThreeTimesAsync(string patient)
    {
        await DecideAsync(patient);
        await DecideAsync(patient);
        await DecideAsync(patient);
    }

    private async Task<List<ChainResult>> VerifyAsync()
    {
        await using TitrationDbContext database = Open();
        return await database.VerifyLedgerAsync([], Token).ToListAsync(Token);
    }

    private async Task<(long Id, long Decisions)?> TakeCheckpointAsync()
    {
        await using TitrationDbContext database = Open();
        return await database.TakeCheckpointAsync(Now, null, Token) is { } taken ? (taken.Id, taken.Decisions) : null;
    }

    private async Task<LedgerFinding?> VerifyCheckpointsAsync()
    {
        await using TitrationDbContext database = Open();
        return await database.VerifyCheckpointsAsync([], Token).FirstOrDefaultAsync(Token);
    }

    private async Task<Guid> ChainOfAsync(string patient)
    {
        await using TitrationDbContext database = Open();
        return (await database.Patients.SingleAsync(p => p.Id == patient, Token)).ChainId;
    }

    private async Task ExecuteAsync(FormattableString statement)
    {
        await using TitrationDbContext database = Open();
        Assert.NotEqual(0, await database.Database.ExecuteSqlAsync(statement, Token));
    }
}

public sealed class LedgerOnSqlite(SqliteFixture fixture) : LedgerSuite(fixture), IClassFixture<SqliteFixture>;

public sealed class LedgerOnPostgres(PostgresFixture fixture) : LedgerSuite(fixture), IClassFixture<PostgresFixture>;
