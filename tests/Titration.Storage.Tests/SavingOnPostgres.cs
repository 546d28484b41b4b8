using System.Collections.Immutable;
using System.Text.Json;
using Microsoft.EntityFrameworkCore;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Storage.Tests;

/// <summary>What a group of messages writes goes to PostgreSQL in a few statements, each for the rows of all its patients.</summary>
public sealed class SavingOnPostgres(PostgresFixture fixture) : StorageSuite(fixture), IClassFixture<PostgresFixture>
{
    private static readonly ImmutableArray<string> Group = [.. Enumerable.Range(10, 30).Select(n => $"p-{n}")];

    [Fact]
    public async Task Thirty_patients_are_saved_in_as_many_statements_as_one_is()
    {
        await using TitrationDbContext database = Open();
        IReadOnlyList<JsonElement> plans = await Plans.OfAsync(database, () => DecideAboutAllAsync(database), Token);

        ILookup<string, JsonElement> written = plans.Where(p => p.GetProperty("Node Type").GetString() == "ModifyTable")
            .ToLookup(p => $"{p.GetProperty("Operation").GetString()} {p.GetProperty("Relation Name").GetString()}", StringComparer.Ordinal);
        Assert.Equal(
            [
                "Insert chain", "Insert communication", "Insert course", "Insert decision", "Insert decision_content", "Insert fact", "Insert outbox", "Insert patient",
                "Update patient",
            ],
            written.Select(w => w.Key).Order(StringComparer.Ordinal));
        Assert.All(written.Where(w => w.Key != "Insert outbox"), w => Assert.Single(w));
    }

    [Fact]
    public async Task The_number_of_an_entry_is_the_one_that_the_database_gave_it()
    {
        await using TitrationDbContext database = Open();
        await DecideAboutAllAsync(database);

        Dictionary<(string, long), long> numbers = database.ChangeTracker.Entries<OutboxRow>().ToDictionary(e => (e.Entity.Patient, e.Entity.Sequence), e => e.Entity.Id);
        await using TitrationDbContext another = Open();
        List<OutboxRow> stored = await another.Outbox.AsNoTracking().ToListAsync(Token);
        Assert.Equal(Group.Length, stored.Count);
        Assert.All(stored, row => Assert.Equal(row.Id, numbers[(row.Patient, row.Sequence)]));
    }

    [Fact]
    public async Task Where_one_of_them_was_changed_by_somebody_else_none_is_saved()
    {
        await using TitrationDbContext stale = Open();
        ImmutableArray<PatientRecord> records;
        await using (var transaction = await stale.Database.BeginTransactionAsync(Token))
        {
            records = await stale.LoadPatientsAsync(Group, Token);
            await transaction.CommitAsync(Token);
        }

        await ChangeAsync("p-20", other => other.LookAgainAt(Now.AddDays(3)));
        foreach (PatientRecord record in records)
        {
            record.LookAgainAt(Now);
        }

        DbUpdateConcurrencyException refused = await Assert.ThrowsAsync<DbUpdateConcurrencyException>(() => stale.SaveChangesAsync(Token));

        Assert.Equal("Of 30 rows of patient 29 are still as they were read.", refused.Message);
        await using TitrationDbContext database = Open();
        Assert.Equal([Now.AddDays(3)], await database.Patients.Where(p => p.NextLook != null).Select(p => p.NextLook!.Value).ToListAsync(Token));
    }

    private static async Task DecideAboutAllAsync(TitrationDbContext database)
    {
        await using var transaction = await database.Database.BeginTransactionAsync(Token);
        foreach (PatientRecord record in await database.LoadPatientsAsync(Group, Token))
        {
            record.AddFacts(Sample.Facts(record.Patient).Select(Received));
            Decide(record, Sample.Intent("1"));
        }

        await database.SaveChangesAsync(Token);
        await transaction.CommitAsync(Token);
    }
}
