using System.Net;
using System.Text.Json;
using Xunit;
using static Titration.Sandbox.Tests.Resources;

namespace Titration.Sandbox.Tests;

public sealed class ReadAndWriteTests
{
    [Fact]
    public async Task A_created_resource_gets_an_id_of_the_servers_choosing_and_says_where_it_is()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply created = await sandbox.PostAsync("Patient", APatient(id: "my-own"));

        Assert.Equal(HttpStatusCode.Created, created.Status);
        Assert.NotEqual("my-own", created.Id);
        Assert.Equal("1", created.Version);
        Assert.Equal("W/\"1\"", created.EntityTag);
        Assert.Equal(RunningSandbox.Start, created.LastModified);
        Assert.Equal($"{sandbox.BaseUrl}/Patient/{created.Id}/_history/1", created.Location);
        Assert.Equal("application/fhir+json; charset=utf-8", created.ContentType);
        Assert.Equal("2026-03-01T10:00:00.000Z", created.Json.GetProperty("meta").GetProperty("lastUpdated").GetString());
    }

    [Fact]
    public async Task A_resource_is_read_back_as_it_was_written_but_for_id_and_meta()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        const string Sent = """
            {"resourceType":"Observation","meta":{"versionId":"77","lastUpdated":"2001-01-01T00:00:00Z","tag":[{"system":"https://clinic.example.org/tags","code":"invented"}]},
             "status":"final","code":{"text":"Röte <b>&amp;</b> 紅斑"},"valueQuantity":{"value":1.50}}
            """;

        Reply created = await sandbox.PostAsync("Observation", Sent);
        Reply read = await sandbox.GetAsync($"Observation/{created.Id}");

        Assert.Equal(HttpStatusCode.OK, read.Status);
        Assert.Equal(created.Body, read.Body);
        Assert.Equal("1", read.Version);
        Assert.Equal("invented", read.Json.GetProperty("meta").GetProperty("tag")[0].GetProperty("code").GetString());
        Assert.Equal("Röte <b>&amp;</b> 紅斑", read.Json.GetProperty("code").GetProperty("text").GetString());
        Assert.Equal("1.50", read.Json.GetProperty("valueQuantity").GetProperty("value").GetRawText());
    }

    [Fact]
    public async Task An_update_makes_a_new_version_and_the_old_one_can_still_be_read()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        Reply first = await sandbox.PostAsync("Patient", APatient(family: "Before"));
        sandbox.Clock.Advance(TimeSpan.FromDays(1));

        Reply second = await sandbox.PutAsync($"Patient/{first.Id}", APatient(first.Id, "After"));
        Reply old = await sandbox.GetAsync($"Patient/{first.Id}/_history/1");

        Assert.Equal(HttpStatusCode.OK, second.Status);
        Assert.Equal("W/\"2\"", second.EntityTag);
        Assert.Equal(RunningSandbox.Start.AddDays(1), second.LastModified);
        Assert.Equal(first.Body, old.Body);
        Assert.Equal("W/\"1\"", old.EntityTag);
    }

    [Fact]
    public async Task An_update_of_what_is_not_there_creates_it_under_the_id_of_the_client()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply created = await sandbox.PutAsync("Patient/px-quill", APatient("px-quill"));

        Assert.Equal(HttpStatusCode.Created, created.Status);
        Assert.Equal("px-quill", created.Id);
        Assert.Equal($"{sandbox.BaseUrl}/Patient/px-quill/_history/1", created.Location);
    }

    [Fact]
    public async Task An_id_that_a_client_has_chosen_is_not_given_out_again()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PutAsync("Patient/1", APatient("1"));

        Reply created = await sandbox.PostAsync("Patient", APatient());

        Assert.Equal(HttpStatusCode.Created, created.Status);
        Assert.NotEqual("1", created.Id);
    }

    [Fact]
    public async Task An_update_on_a_stale_version_changes_nothing()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PutAsync("Task/t", ATask("a", "requested", id: "t"));
        await sandbox.PutAsync("Task/t", ATask("a", "accepted", id: "t"), "If-Match", "W/\"1\"");

        Reply stale = await sandbox.PutAsync("Task/t", ATask("a", "cancelled", id: "t"), "If-Match", "W/\"1\"");
        Reply read = await sandbox.GetAsync("Task/t");

        Assert.Equal(HttpStatusCode.PreconditionFailed, stale.Status);
        Assert.Equal("conflict", stale.Issue().Code);
        Assert.Equal("accepted", read.Json.GetProperty("status").GetString());
        Assert.Equal("2", read.Version);
    }

    [Fact]
    public async Task An_update_on_a_version_of_what_was_never_there_is_refused()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply refused = await sandbox.PutAsync("Patient/nobody", APatient("nobody"), "If-Match", "W/\"1\"");

        Assert.Equal(HttpStatusCode.PreconditionFailed, refused.Status);
        Assert.Equal(HttpStatusCode.NotFound, (await sandbox.GetAsync("Patient/nobody")).Status);
    }

    [Fact]
    public async Task What_the_client_has_seen_already_is_not_sent_again()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PutAsync("Patient/px", APatient("px"));

        Reply same = await sandbox.GetAsync("Patient/px", "If-None-Match", "W/\"7\", W/\"1\"");
        await sandbox.PutAsync("Patient/px", APatient("px", "Changed"));
        Reply changed = await sandbox.GetAsync("Patient/px", "If-None-Match", "W/\"1\"");

        Assert.Equal(HttpStatusCode.NotModified, same.Status);
        Assert.Empty(same.Body);
        Assert.Equal("W/\"1\"", same.EntityTag);
        Assert.Equal(HttpStatusCode.OK, changed.Status);
    }

    [Fact]
    public async Task The_history_of_a_resource_lists_every_version_newest_first()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        Reply posted = await sandbox.PostAsync("Patient", APatient());
        await sandbox.PutAsync($"Patient/{posted.Id}", APatient(posted.Id, "Second"));

        Reply history = await sandbox.GetAsync($"Patient/{posted.Id}/_history");

        Assert.Equal("history", history.Json.GetProperty("type").GetString());
        Assert.Equal(2, history.Json.GetProperty("total").GetInt32());
        Assert.Equal(["2", "1"], history.Entries.Select(e => e.GetProperty("resource").GetProperty("meta").GetProperty("versionId").GetString()));
        Assert.Equal(["PUT", "POST"], history.Entries.Select(e => e.GetProperty("request").GetProperty("method").GetString()));
        Assert.Equal(["200 OK", "201 Created"], history.Statuses);
        Assert.Equal("W/\"2\"", history.Entries[0].GetProperty("response").GetProperty("etag").GetString());
    }

    [Fact]
    public async Task A_clock_that_stands_still_or_goes_back_never_dates_a_version_before_the_one_it_replaces()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        sandbox.Store.Create(JsonElement.Parse(APatient()));
        StoredInstant first = Newest(sandbox);
        sandbox.Store.Update(JsonElement.Parse(APatient("1")));
        StoredInstant second = Newest(sandbox);

        Assert.Equal(RunningSandbox.Start, first.LastUpdated);
        Assert.Equal(RunningSandbox.Start.AddMilliseconds(1), second.LastUpdated);
    }

    [Theory]
    [InlineData("Patient/nobody")]
    [InlineData("Patient/nobody/_history")]
    [InlineData("Patient/nobody/_history/1")]
    [InlineData("Patient/px/_history/2")]
    [InlineData("Patient/px/_history/latest")]
    public async Task What_was_never_there_is_not_found(string path)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PutAsync("Patient/px", APatient("px"));

        Reply missing = await sandbox.GetAsync(path);

        Assert.Equal(HttpStatusCode.NotFound, missing.Status);
        Assert.Equal("not-found", missing.Issue().Code);
    }

    private static StoredInstant Newest(RunningSandbox sandbox) => new(sandbox.Store.Read("Patient", "1")!.LastUpdated);

    private readonly record struct StoredInstant(DateTimeOffset LastUpdated);
}
