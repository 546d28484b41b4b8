using System.Text.Json;
using Microsoft.EntityFrameworkCore;
using Microsoft.EntityFrameworkCore.Metadata;
using Titration.Storage.Delivery;
using Titration.Storage.Model;
using Titration.TestKit;

namespace Titration.Storage.Tests;

/// <summary>
/// What a look costs must not grow with the caseload. The plans are those of the statements as they are executed (auto_explain of PostgreSQL), on thousands of patients, of
/// whom a few have something to do.
/// </summary>
public sealed class LooksOnPostgres(PostgresFixture fixture) : StorageSuite(fixture), IClassFixture<PostgresFixture>
{
    private const int Patients = 4000;

    /// <summary>Grow with the caseload; what is referred to stands before what refers to it.</summary>
    private static readonly Type[] Growing =
    [
        typeof(PatientRow), typeof(ChainRow), typeof(FactRow), typeof(CourseRow), typeof(DecisionRow), typeof(DecisionContentRow), typeof(CommunicationRow),
        typeof(SentResourceRow), typeof(OutboxRow),
    ];

    [Fact]
    public async Task No_look_reads_a_whole_table_that_grows_with_the_caseload()
    {
        await FillAsync();
        List<string> wrong = [];
        foreach ((string name, Func<TitrationDbContext, CancellationToken, Task> look) in HotLooks.All)
        {
            foreach (string table in await WholeTablesOfAsync(look))
            {
                wrong.Add($"{name}: {table}");
            }
        }

        Assert.Empty(wrong);
    }

    [Fact]
    public async Task A_look_without_an_index_is_found_out()
    {
        await FillAsync();

        Assert.Equal(["fact"], await WholeTablesOfAsync((database, token) => database.Facts.CountAsync(f => f.ReceivedAt > Now, token)));
    }

    private async Task<string[]> WholeTablesOfAsync(Func<TitrationDbContext, CancellationToken, Task> look)
    {
        await using TitrationDbContext database = Open();
        IReadOnlyList<JsonElement> plans = await Plans.OfAsync(
            database,
            async () =>
            {
                await using (await database.Database.BeginTransactionAsync(Token))
                {
                    await look(database, Token);
                }
            },
            Token);
        Assert.NotEmpty(plans);
        HashSet<string> growing = [.. Growing.Select(t => database.Model.FindEntityType(t)!.GetTableName()!)];
        return [.. plans.SelectMany(ReadWhole).Where(growing.Contains).Distinct()];
    }

    private static IEnumerable<string> ReadWhole(JsonElement plan)
    {
        if (plan.GetProperty("Node Type").GetString() == "Seq Scan")
        {
            yield return plan.GetProperty("Relation Name").GetString()!;
        }

        if (plan.TryGetProperty("Plans", out JsonElement children))
        {
            foreach (string table in children.EnumerateArray().SelectMany(ReadWhole))
            {
                yield return table;
            }
        }
    }

    /// <summary>One patient with all that there can be, thousands of times, and a few with something to do.</summary>
    private async Task FillAsync()
    {
        await ChangeAsync("p", record =>
        {
            record.AddFacts(Sample.Facts("p").Select(Received));
            record.LookAgainAt(Now.AddDays(1));
        });
        await DecideAsync("p", Sample.Intent("1"), Sample.Intent("2"));
        while (await OldestAsync() is { } entry)
        {
            await using TitrationDbContext sending = Open();
            SentResourceRow held = new() { CommunicationKey = entry.CommunicationKey, Role = "message", ResourceType = "CommunicationRequest", ServerId = $"server-{entry.Id}" };
            Assert.True(await sending.CompleteAsync(entry, [held], Now, Token));
        }

        await using TitrationDbContext database = Open();
        foreach (Type type in Growing)
        {
            await database.Database.ExecuteSqlRawAsync(Multiply(database.Model.FindEntityType(type)!), Token);
        }

        foreach (string busy in (string[])["p-3", "p-500", "p-1500"])
        {
            await DecideAsync(busy, Sample.Intent("3"));
            await ChangeAsync(busy, record => record.LookAgainAt(Now.AddMinutes(-1)));
        }

        // The server's own ANALYZE may be at work: as long as it is, what was written since it began does not count as visible to all, and an index alone is not enough.
        await Eventually.HoldsAsync("nearly every row to be visible to all", async () => await IsAllVisibleAsync(database), Token);
    }

    private static async Task<bool> IsAllVisibleAsync(TitrationDbContext database)
    {
        await database.Database.ExecuteSqlRawAsync("VACUUM ANALYZE", Token);
        string[] growing = [.. Growing.Select(t => database.Model.FindEntityType(t)!.GetTableName()!)];
        return await database.Database.SqlQuery<bool>(
            $"SELECT bool_and(relallvisible >= 0.9 * relpages) AS \"Value\" FROM pg_class WHERE relkind = 'r' AND relname = ANY ({growing})").SingleAsync(Token);
    }

    private async Task<OutboxRow?> OldestAsync()
    {
        await using TitrationDbContext database = Open();
        return (await database.ClaimAsync(Now, Hour, 1, onlySafety: false, Token)) is [var entry] ? entry : null;
    }

    private static string Multiply(IEntityType type)
    {
        IProperty[] columns = [.. type.GetProperties().Where(p => p.ValueGenerated == ValueGenerated.Never)];
        return $"INSERT INTO {type.GetTableName()} ({string.Join(", ", columns.Select(c => c.GetColumnName()))}) "
            + $"SELECT {string.Join(", ", columns.Select(c => Anew(c, type)))} FROM {type.GetTableName()}, generate_series(1, {Patients}) AS n";
    }

    private static string Anew(IProperty property, IEntityType type)
    {
        string column = property.GetColumnName();
        return property.Name switch
        {
            nameof(FactRow.Patient) or nameof(FactRow.ResourceId) or nameof(SentResourceRow.ServerId) => $"{column} || '-' || n",
            nameof(PatientRow.Id) when type.ClrType == typeof(PatientRow) => $"{column} || '-' || n",
            nameof(PatientRow.NextLook) or nameof(OutboxRow.SentAt) or nameof(DecisionRow.DecidedAt) or nameof(OutboxRow.CreatedAt) => $"{column} + (n - {Patients / 2}) * interval '1 second'",
            // The same row of a patient gets the same new key wherever it is referred to.
            _ when (Nullable.GetUnderlyingType(property.ClrType) ?? property.ClrType) == typeof(Guid) => $"(left({column}::text, 24) || lpad(to_hex(n), 12, '0'))::uuid",
            _ => column,
        };
    }
}
