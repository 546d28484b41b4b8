using System.Net;
using System.Text.Json;
using Microsoft.Data.Sqlite;
using Microsoft.Extensions.Time.Testing;
using Titration.Sandbox.Searching;
using Titration.Sandbox.Storing;
using Xunit;
using static Titration.Sandbox.Tests.Resources;

namespace Titration.Sandbox.Tests;

public sealed class StoreFileTests : IDisposable
{
    private readonly string _folder = Directory.CreateTempSubdirectory("titration-store-").FullName;
    private readonly FakeTimeProvider _clock = new(RunningSandbox.Start);

    private string File => Path.Combine(_folder, "fhir.db");

    public void Dispose() => Directory.Delete(_folder, recursive: true);

    [Fact]
    public async Task A_restart_on_the_same_file_keeps_every_version_and_every_index()
    {
        RunningSandbox before = await RunningSandbox.StartAsync();
        Reply created = await before.PostAsync("Task", ATask("a"), "If-None-Exist", Condition("a"));
        await before.PutAsync($"Task/{created.Id}", ATask("a", "completed", id: created.Id));

        await using RunningSandbox after = await before.RestartAsync();

        Assert.Equal("2", (await after.GetAsync($"Task/{created.Id}")).Version);
        Assert.Equal(created.Body, (await after.GetAsync($"Task/{created.Id}/_history/1")).Body);
        Assert.Equal([created.Id], (await after.GetAsync("Task?identifier=a&status=completed&patient=px-1")).Ids);
        Assert.Equal(HttpStatusCode.OK, (await after.PostAsync("Task", ATask("a"), "If-None-Exist", Condition("a"))).Status);
        Assert.NotEqual(created.Id, (await after.PostAsync("Task", ATask("b"))).Id);
    }

    [Fact]
    public void Two_stores_on_one_file_still_create_a_resource_once()
    {
        using FhirStore one = FhirStore.Open(File, _clock);
        using FhirStore other = FhirStore.Open(File, _clock);
        SearchQuery condition = SearchQuery.Parse("Task", Condition("a"), "");
        JsonElement task = JsonElement.Parse(ATask("a"));

        Parallel.For(0, 40, i => (i % 2 == 0 ? one : other).Create(task, condition));

        Assert.Single(one.Search(SearchQuery.Parse("Task", "", "")).Found);
        Assert.Single(other.Search(condition).Found);
    }

    [Fact]
    public void Work_that_throws_leaves_nothing_and_the_store_goes_on()
    {
        using FhirStore store = FhirStore.Open(File, _clock);

        Assert.Throws<TimeoutException>(() => store.InTransaction<int>(() =>
        {
            store.Create(JsonElement.Parse(APatient()));
            throw new TimeoutException();
        }));

        Assert.Null(store.Read("Patient", "1"));
        Assert.Equal(WriteResult.Created, store.Create(JsonElement.Parse(APatient())).Result);
        Assert.NotNull(store.Read("Patient", "1"));
    }

    [Fact]
    public void A_store_in_memory_needs_no_file()
    {
        using FhirStore store = FhirStore.Open(":memory:", _clock);

        Assert.Equal(WriteResult.Created, store.Create(JsonElement.Parse(APatient())).Result);
        Assert.Equal(WriteResult.VersionMismatch, store.Update(JsonElement.Parse(APatient("1")), ifMatch: "2").Result);
        Assert.Equal(WriteResult.Updated, store.Update(JsonElement.Parse(APatient("1")), ifMatch: "1").Result);
        Assert.Equal([2, 1], store.History("Patient", "1").Select(v => v.Version));
    }

    [Fact]
    public void A_file_of_another_layout_is_refused_and_left_alone()
    {
        using (SqliteConnection connection = new($"Data Source={File};Pooling=False"))
        {
            connection.Open();
            using SqliteCommand command = connection.CreateCommand();
            command.CommandText = "CREATE TABLE somebody_elses (a); PRAGMA user_version = 99;";
            command.ExecuteNonQuery();
        }

        InvalidDataException refused = Assert.Throws<InvalidDataException>(() => FhirStore.Open(File, _clock));

        Assert.Contains("99", refused.Message, StringComparison.Ordinal);
    }

    [Fact]
    public void A_file_that_is_no_database_is_refused_and_left_alone()
    {
        System.IO.File.WriteAllText(File, "These are minutes of a meeting, not a database.");

        Assert.Throws<SqliteException>(() => FhirStore.Open(File, _clock));

        Assert.StartsWith("These are minutes", System.IO.File.ReadAllText(File), StringComparison.Ordinal);
    }

    [Theory]
    [InlineData("identifier=a")]
    [InlineData("patient=px-1")]
    [InlineData("status=requested&patient=px-1")]
    [InlineData("_id=1")]
    [InlineData("_lastUpdated=ge2026-03-01")]
    public void A_search_never_scans_a_table(string query)
    {
        FhirStore.Open(File, _clock).Dispose();
        using SqliteConnection connection = new($"Data Source={File};Pooling=False");
        connection.Open();
        using SqliteCommand command = SearchSql.Command(connection, SearchQuery.Parse("Task", query, ""));
        command.CommandText = $"EXPLAIN QUERY PLAN {command.CommandText}";
        using SqliteDataReader reader = command.ExecuteReader();
        List<string> plan = [];
        while (reader.Read())
        {
            plan.Add(reader.GetString(3));
        }

        Assert.NotEmpty(plan);
        Assert.DoesNotContain(plan, step => step.StartsWith("SCAN", StringComparison.Ordinal));
    }
}
