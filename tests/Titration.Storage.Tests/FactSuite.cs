using System.Reflection;
using System.Text.Json.Serialization;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Storage.Tests;

/// <summary>Taking in facts and keeping what stands.</summary>
public abstract class FactSuite(DatabaseFixture fixture) : StorageSuite(fixture)
{
    [Fact]
    public async Task Every_fact_comes_back_as_it_went_in()
    {
        await ChangeAsync("p", record => Assert.Equal(Sample.Facts("p").Length, record.AddFacts(Sample.Facts("p").Select(Received)).Length));

        PatientHistory history = (await ReadAsync("p")).History;

        Assert.Equal(Sample.Facts("p").Select(f => StoredJson.Write(f)), history.Facts.Select(f => StoredJson.Write(f)));
        Assert.Equivalent(Sample.Facts("p"), history.Facts, strict: true);
    }

    [Fact]
    public void The_samples_hold_every_kind_of_fact_and_statement()
    {
        IEnumerable<object> said = Sample.Facts("p").OfType<ObservationFact>().SelectMany(o => o.Statements);

        Assert.Equal(KindsOf<Fact>(), Sample.Facts("p").Select(f => f.GetType()).ToHashSet());
        Assert.Equal(KindsOf<Statement>(), said.Select(s => s.GetType()).ToHashSet());

        static HashSet<Type> KindsOf<T>() => [.. typeof(T).GetCustomAttributes<JsonDerivedTypeAttribute>().Select(a => a.DerivedType)];
    }

    [Fact]
    public async Task Facts_that_are_there_already_are_passed_over()
    {
        await ChangeAsync("p", record => record.AddFacts(Sample.Facts("p").Take(2).Select(Received)));

        await ChangeAsync("p", record =>
        {
            Assert.Equal(Sample.Facts("p").Length - 2, record.AddFacts(Sample.Facts("p").Concat(Sample.Facts("p")).Select(Received)).Length);
            Assert.Empty(record.AddFacts(Sample.Facts("p").Select(Received)));
            Assert.Equal(Sample.Facts("p").Length, record.History.Facts.Length);
        });

        Assert.Equal(Enumerable.Range(1, Sample.Facts("p").Length).Select(i => (long)i), (await ReadAsync("p")).Facts.Select(f => f.Sequence));
    }

    [Fact]
    public async Task Two_contents_under_one_version_are_two_facts()
    {
        Fact first = Sample.Facts("p")[4];
        Fact second = first with { Source = first.Source with { ContentHash = "other" } };

        await ChangeAsync("p", record => record.AddFacts([Received(first), Received(second)]));

        Assert.Equal(2, (await ReadAsync("p")).History.Facts.Length);
    }

    [Fact]
    public async Task The_database_itself_refuses_a_fact_twice_and_the_error_names_nobody()
    {
        await ChangeAsync("p-secret", record => record.AddFacts([Received(Sample.Facts("p-secret")[0])]));
        await using TitrationDbContext database = Open();
        FactRow row = await database.Facts.AsNoTracking().SingleAsync(Token);
        await database.Patients.LoadAsync(Token);
        database.Add(new FactRow
        {
            Patient = row.Patient,
            Sequence = 2,
            ResourceType = row.ResourceType,
            ResourceId = row.ResourceId,
            VersionId = row.VersionId,
            ContentHash = row.ContentHash,
            Content = row.Content,
            ReceivedAt = row.ReceivedAt,
        });

        DbUpdateException error = await Assert.ThrowsAsync<DbUpdateException>(() => database.SaveChangesAsync(Token));

        Assert.DoesNotContain("p-secret", error.ToString());
        Assert.DoesNotContain(row.ResourceId, error.ToString());
    }

    [Fact]
    public async Task A_stale_copy_of_a_patient_is_not_saved()
    {
        await using TitrationDbContext stale = Open();
        PatientRecord record;
        await using (var transaction = await stale.Database.BeginTransactionAsync(Token))
        {
            record = (await stale.LoadPatientsAsync(["p"], Token))[0];
            await transaction.CommitAsync(Token);
        }

        await ChangeAsync("p", other => other.AddFacts([Received(Sample.Facts("p")[0])]));
        record.LookAgainAt(Now);

        await Assert.ThrowsAsync<DbUpdateConcurrencyException>(() => stale.SaveChangesAsync(Token));
    }

    [Fact]
    public async Task The_version_goes_up_by_one_with_each_save_of_anything_of_the_patient()
    {
        await ChangeAsync("p", record => record.AddFacts(Sample.Facts("p").Select(Received)));
        await ChangeAsync("p", record => record.Materialise(Sample.Evaluation("p", Now), "policy"));
        await ChangeAsync("p", record => Assert.Empty(record.AddFacts(Sample.Facts("p").Select(Received))));

        await using TitrationDbContext database = Open();
        Assert.Equal(2, (await database.Patients.SingleAsync(Token)).Version);
    }

    [Fact]
    public async Task Rows_of_a_patient_who_was_not_loaded_are_refused()
    {
        await DecideAsync("p");
        await using TitrationDbContext database = Open();
        (await database.Courses.SingleAsync(Token)).Step = "another";

        await Assert.ThrowsAsync<InvalidOperationException>(() => database.SaveChangesAsync(Token));
    }

    [Fact]
    public async Task Patients_come_in_key_order_and_are_made_once()
    {
        await using TitrationDbContext database = Open();
        await using var transaction = await database.Database.BeginTransactionAsync(Token);

        var records = await database.LoadPatientsAsync(["b", "a", "B", "a-1", "b"], Token);

        Assert.Equal("B, a, a-1, b", string.Join(", ", records.Select(r => r.Patient)));
        Assert.Equal(4, await database.Patients.CountAsync(Token));
    }

    [Fact]
    public async Task Patients_are_loaded_only_within_a_transaction_and_only_once()
    {
        await using TitrationDbContext database = Open();
        await Assert.ThrowsAsync<InvalidOperationException>(() => database.LoadPatientsAsync(["p"], Token));
        await using var transaction = await database.Database.BeginTransactionAsync(Token);
        await database.LoadPatientsAsync(["p"], Token);

        await Assert.ThrowsAsync<InvalidOperationException>(() => database.LoadPatientsAsync(["p"], Token));
    }

    [Fact]
    public async Task Batches_with_the_same_patients_wait_for_each_other_and_lose_nothing()
    {
        string[] patients = ["a", "b", "c", "d"];
        await Task.WhenAll(Enumerable.Range(0, 4).Select(worker => Task.Run(async () =>
        {
            for (int round = 0; round < 10; round++)
            {
                await TakeInAsync(worker % 2 == 0 ? patients : [.. patients.Reverse()], $"{worker}-{round}");
            }
        })));

        await using TitrationDbContext database = Open();
        var sequences = await database.Facts.GroupBy(f => f.Patient).Select(g => new { g.Key, Count = g.Count(), Last = g.Max(f => f.Sequence) })
            .ToListAsync(Token);
        Assert.Equal(patients.Select(p => (p, 40, 40L)), sequences.OrderBy(s => s.Key, StringComparer.Ordinal).Select(s => (s.Key, s.Count, s.Last)));

        async Task TakeInAsync(string[] batch, string version)
        {
            await using TitrationDbContext own = Open();
            await using var transaction = await own.Database.BeginTransactionAsync(Token);
            foreach (PatientRecord record in await own.LoadPatientsAsync(batch, Token))
            {
                record.AddFacts([Received(new PatientFact { Source = Sample.Source("Patient", record.Patient, version), Patient = record.Patient })]);
            }

            await own.SaveChangesAsync(Token);
            await transaction.CommitAsync(Token);
        }
    }

    [Fact]
    public async Task A_fact_or_an_evaluation_of_another_patient_is_refused()
    {
        PatientRecord record = await ReadAsync("p");

        Assert.Throws<ArgumentException>(() => record.AddFacts(Sample.Facts("q").Select(Received)));
        Assert.Throws<ArgumentException>(() => record.AppendDecision(Sample.Evaluation("q", Now), "policy", "input"));
        Assert.Throws<ArgumentException>(() => record.Materialise(Sample.Evaluation("q", Now), "policy"));
    }

    [Fact]
    public async Task What_stands_of_a_course_is_its_newest_evaluation()
    {
        Evaluation newest = Sample.FullEvaluation("p");
        await ChangeAsync("p", record => record.Materialise(Sample.Evaluation("p", Now), "policy-1"));
        await ChangeAsync("p", record => record.Materialise(newest, "policy-2"));

        PatientRecord stored = await ReadAsync("p");

        CourseRow course = Assert.Single(stored.Courses);
        Assert.Equal(
            (Outcome.Maintain, "0.025 % alternate nights, 0.25 g", new DateOnly(2026, 2, 27), newest.NextLook, newest.AsOf, "policy-2"),
            (course.Outcome, course.Step, course.StepSince, course.NextLook, course.EvaluatedAt, course.PolicyHash));
        Assert.Equal(StoredJson.Write(newest), StoredJson.Write(StoredJson.ReadEvaluation(course.Evaluation)));
        Assert.Equivalent(newest, StoredJson.ReadEvaluation(course.Evaluation), strict: true);
        Assert.True(stored.StandingOutcome(course.Id)!.IsThatOf(newest));
        Assert.False(stored.StandingOutcome(course.Id)!.IsThatOf(newest with { Outcome = Outcome.RequestReview }));
    }

    [Fact]
    public async Task Instants_are_stored_in_utc_and_cut_to_the_millisecond()
    {
        DateTimeOffset fine = new DateTimeOffset(2026, 3, 1, 10, 0, 0, TimeSpan.FromHours(1)).AddTicks(1_239_999);

        await ChangeAsync("p", record => record.LookAgainAt(fine));

        await using TitrationDbContext database = Open();
        DateTimeOffset stored = (await database.Patients.SingleAsync(Token)).NextLook!.Value;
        Assert.Equal((Now.AddMilliseconds(123), TimeSpan.Zero), (stored, stored.Offset));
    }

    [Fact]
    public async Task A_deleted_resource_leads_to_its_patients_and_a_history_ends_where_it_is_told_to()
    {
        await ChangeAsync("p", record => record.AddFacts(Sample.Facts("p").Select(Received)));
        await ChangeAsync("q", record => record.AddFacts(Sample.Facts("q").Select(Received)));
        await using TitrationDbContext database = Open();

        Assert.Equal(["p", "q"], await database.PatientsOfAsync("Observation", "check-in-1", Token));
        Assert.Equal(["q"], await database.PatientsOfAsync("Patient", "q", Token));
        Assert.Equal(Sample.Facts("p").Take(2).Select(f => f.Source), (await database.HistoryOfAsync("p", 2, Token)).Facts.Select(f => f.Source));
    }
}

public sealed class FactsOnSqlite(SqliteFixture fixture) : FactSuite(fixture), IClassFixture<SqliteFixture>;

public sealed class FactsOnPostgres(PostgresFixture fixture) : FactSuite(fixture), IClassFixture<PostgresFixture>
{
    [Fact]
    public async Task A_loaded_patient_is_locked_until_the_transaction_ends()
    {
        await ChangeAsync("p", record => record.LookAgainAt(Now));
        await using TitrationDbContext holder = Open();
        await using var transaction = await holder.Database.BeginTransactionAsync(Token);
        await holder.LoadPatientsAsync(["p"], Token);
        await using TitrationDbContext other = Open();

        var refused = await Assert.ThrowsAsync<Npgsql.PostgresException>(TakeLockAsync);
        await transaction.RollbackAsync(Token);

        Assert.Equal(Npgsql.PostgresErrorCodes.LockNotAvailable, refused.SqlState);
        await TakeLockAsync();

        Task TakeLockAsync() => other.Database.ExecuteSqlAsync($"SELECT 1 FROM patient WHERE id = 'p' FOR UPDATE NOWAIT", Token);
    }
}
