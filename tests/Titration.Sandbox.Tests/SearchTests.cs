using System.Net;
using Xunit;
using static Titration.Sandbox.Tests.Resources;

namespace Titration.Sandbox.Tests;

public sealed class SearchTests
{
    [Theory]
    [InlineData("identifier=https%3A%2F%2Fclinic.example.org%2Fids%7Ca", "t1")]
    [InlineData("identifier=a", "t1")]
    [InlineData("identifier=%7Ca", "")]
    [InlineData("identifier=%7Cno-system", "t4")]
    [InlineData("identifier=https%3A%2F%2Felsewhere.example.org%7Ca", "")]
    [InlineData("identifier=a,b", "t1 t2")]
    [InlineData("patient=px-1", "t1 t3")]
    [InlineData("patient=Patient/px-1", "t1 t3")]
    [InlineData("subject=Patient/px-1", "t1 t3")]
    [InlineData("subject=px-1", "t1 t3")]
    [InlineData("subject=group-1", "t4")]
    [InlineData("subject=Group/group-1", "t4")]
    [InlineData("patient=group-1", "")]
    [InlineData("patient=px", "")]
    [InlineData("status=requested", "t1 t2")]
    [InlineData("status=requested,completed", "t1 t2 t3")]
    [InlineData("patient=px-1&status=requested", "t1")]
    [InlineData("code=approve", "t1 t2 t3")]
    [InlineData("code=http%3A%2F%2Fhl7.org%2Ffhir%2FCodeSystem%2Ftask-code%7Capprove", "t1 t2 t3")]
    [InlineData("code=fulfill", "")]
    [InlineData("focus=CommunicationRequest/9", "t2")]
    [InlineData("_id=t2", "t2")]
    [InlineData("_id=t2,t3,none", "t2 t3")]
    [InlineData("_id=t2&status=completed", "")]
    public async Task A_search_finds_what_fits_and_nothing_else(string query, string expected)
    {
        await using RunningSandbox sandbox = await WithFourTasksAsync();

        Reply found = await sandbox.GetAsync($"Task?{query}");

        Assert.Equal(HttpStatusCode.OK, found.Status);
        Assert.Equal(expected, string.Join(' ', found.Ids));
        Assert.Equal(found.Ids.Length, found.Json.GetProperty("total").GetInt32());
        Assert.All(found.Entries, e => Assert.StartsWith($"{sandbox.BaseUrl}/Task/", e.GetProperty("fullUrl").GetString(), StringComparison.Ordinal));
    }

    [Fact]
    public async Task A_patient_is_found_by_an_absolute_reference_to_this_server()
    {
        await using RunningSandbox sandbox = await WithFourTasksAsync();

        Reply found = await sandbox.GetAsync($"Task?patient={Uri.EscapeDataString($"{sandbox.BaseUrl}/Patient/px-1")}");

        Assert.Equal(["t1", "t3"], found.Ids);
    }

    [Fact]
    public async Task A_resource_is_found_by_what_it_says_now_not_by_what_it_said_before()
    {
        await using RunningSandbox sandbox = await WithFourTasksAsync();
        await sandbox.PutAsync("Task/t1", ATask("new", "cancelled", "Patient/px-9", "t1"));

        Assert.Equal(["t2"], (await sandbox.GetAsync("Task?status=requested")).Ids);
        Assert.Empty((await sandbox.GetAsync("Task?identifier=a")).Ids);
        Assert.Equal(["t1"], (await sandbox.GetAsync("Task?identifier=new&patient=px-9")).Ids);
    }

    [Fact]
    public async Task A_reference_to_a_version_is_found_by_what_it_refers_to()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PutAsync("Observation/obs-1", AnObservation("Patient/px-1/_history/3"));

        Assert.Equal(["obs-1"], (await sandbox.GetAsync("Observation?patient=px-1")).Ids);
    }

    [Fact]
    public async Task Of_several_targets_only_a_patient_is_found_as_the_patient()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PutAsync("Provenance/prov", """
            {"resourceType":"Provenance","id":"prov","target":[{"reference":"Task/1"},{"reference":"Patient/px-1"}],
             "recorded":"2026-03-01T10:00:00Z","agent":[{"who":{"reference":"Device/titration-service"}}]}
            """);

        Assert.Equal(["prov"], (await sandbox.GetAsync("Provenance?patient=px-1")).Ids);
        Assert.Empty((await sandbox.GetAsync("Provenance?patient=1")).Ids);
    }

    [Theory]
    [InlineData("2026-03-01", "t1 t2 t3 t4")]
    [InlineData("eq2026-03-01T10:01", "t2")]
    [InlineData("2026-03-01T10:01:00Z", "t2")]
    [InlineData("ge2026-03-01T10:01:00Z", "t2 t3 t4")]
    [InlineData("gt2026-03-01T10:01:00Z", "t3 t4")]
    [InlineData("gt2026-03-01T10:01", "t3 t4")]
    [InlineData("le2026-03-01T10:01:00Z", "t1 t2")]
    [InlineData("lt2026-03-01T10:01:00.000Z", "t1")]
    [InlineData("ge2026-03-01T10:01:00.0000001Z", "t3 t4")]
    [InlineData("ge2026-03-01T12:01:00%2B02:00", "t2 t3 t4")]
    [InlineData("gt2026-03-01", "")]
    [InlineData("ge2026", "t1 t2 t3 t4")]
    [InlineData("lt2026-03", "")]
    public async Task The_instant_of_the_last_change_is_compared_with_all_of_the_stretch_that_is_named(string value, string expected)
    {
        await using RunningSandbox sandbox = await WithFourTasksAsync();

        Reply found = await sandbox.GetAsync($"Task?_lastUpdated={value}");

        Assert.Equal(expected, string.Join(' ', found.Ids));
    }

    [Fact]
    public async Task Two_bounds_on_the_last_change_hold_together()
    {
        await using RunningSandbox sandbox = await WithFourTasksAsync();

        Reply found = await sandbox.GetAsync("Task?_lastUpdated=ge2026-03-01T10:01:00Z&_lastUpdated=lt2026-03-01T10:03:00Z");

        Assert.Equal(["t2", "t3"], found.Ids);
    }

    [Fact]
    public async Task Following_the_next_links_gives_every_resource_once()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        for (int i = 0; i < 25; i++)
        {
            await sandbox.PutAsync($"Task/t{i}", ATask($"id-{i}", id: $"t{i}"));
        }

        List<string> all = [];
        string? url = $"{sandbox.BaseUrl}/Task?status=requested&_count=10";
        int pages = 0;
        while (url is not null)
        {
            Reply page = await sandbox.GetAsync(url[(sandbox.BaseUrl.Length + 1)..]);
            Assert.Equal(url, page.Link("self"));
            all.AddRange(page.Ids);
            pages++;
            url = page.Link("next");
        }

        Assert.Equal(3, pages);
        Assert.Equal(Enumerable.Range(0, 25).Select(i => $"t{i}"), all);
    }

    [Fact]
    public async Task A_resource_that_changes_while_somebody_pages_is_not_missed()
    {
        await using RunningSandbox sandbox = await WithFourTasksAsync();
        Reply first = await sandbox.GetAsync("Task?_count=2");
        await sandbox.PutAsync("Task/t1", ATask("a", "completed", id: "t1"));

        Reply second = await sandbox.GetAsync(first.Link("next")![(sandbox.BaseUrl.Length + 1)..]);
        Reply third = await sandbox.GetAsync(second.Link("next")![(sandbox.BaseUrl.Length + 1)..]);

        Assert.Equal(["t1", "t2"], first.Ids);
        Assert.Equal(["t3", "t4"], second.Ids);
        Assert.Equal(["t1"], third.Ids);
        Assert.Null(third.Link("next"));
    }

    [Theory]
    [InlineData("Task?owner=Practitioner/1", "owner")]
    [InlineData("Task?identifier:of-type=a", "identifier:of-type")]
    [InlineData("Task?patient.name=quill", "patient.name")]
    [InlineData("Task?_sort=status", "_sort")]
    [InlineData("Task?_include=Task:focus", "_include")]
    [InlineData("Provenance?identifier=a", "identifier")]
    [InlineData("Patient/px?_summary=true", "_summary")]
    public async Task An_unknown_search_parameter_is_refused_by_name(string path, string name)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply refused = await sandbox.GetAsync(path);

        Assert.Equal(HttpStatusCode.BadRequest, refused.Status);
        Assert.Equal("not-supported", refused.Issue().Code);
        Assert.Contains($"'{name}'", refused.Issue().Diagnostics, StringComparison.Ordinal);
    }

    [Theory]
    [InlineData("_lastUpdated=yesterday")]
    [InlineData("_lastUpdated=ap2026-03-01")]
    [InlineData("_lastUpdated=ge")]
    [InlineData("_lastUpdated=2026-02-30")]
    [InlineData("_lastUpdated=9999-12-31")]
    [InlineData("_lastUpdated=")]
    [InlineData("_count=0")]
    [InlineData("_count=-1")]
    [InlineData("_count=many")]
    [InlineData("_count=99999999999")]
    [InlineData("_page=x")]
    [InlineData("identifier=")]
    [InlineData("identifier=a,,b")]
    [InlineData("identifier=sys%7C")]
    [InlineData("patient=a/b/c")]
    [InlineData("status=http%3A%2F%2Fhl7.org%2Ffhir%2Ftask-status%7Cdraft")]
    public async Task A_value_that_cannot_be_read_is_refused(string query)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply refused = await sandbox.GetAsync($"Task?{query}");

        Assert.Equal(HttpStatusCode.BadRequest, refused.Status);
        Assert.Contains($"'{query.Split('=')[0]}'", refused.Issue().Diagnostics, StringComparison.Ordinal);
    }

    [Fact]
    public async Task A_search_for_very_many_values_is_refused_before_it_costs_anything()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply refused = await sandbox.GetAsync($"Task?_id={string.Join(',', Enumerable.Range(0, 101))}");

        Assert.Equal(HttpStatusCode.BadRequest, refused.Status);
        Assert.Equal("too-costly", refused.Issue().Code);
    }

    [Fact]
    public async Task A_page_is_never_larger_than_the_limit()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Assert.Equal(500, Searching.SearchQuery.Parse("Task", "?_count=100000", sandbox.BaseUrl).Count);
    }

    /// <summary>Written a minute apart: t1 and t3 for px-1, t4 for a group and with an identifier that has no system.</summary>
    private static async Task<RunningSandbox> WithFourTasksAsync()
    {
        RunningSandbox sandbox = await RunningSandbox.StartAsync();
        string[] tasks =
        [
            ATask("a", "requested", "Patient/px-1", "t1"),
            ATask("b", "requested", "Patient/px-2", "t2", "CommunicationRequest/9"),
            ATask("c", "completed", "Patient/px-1", "t3"),
            """{"resourceType":"Task","id":"t4","identifier":[{"value":"no-system"}],"status":"draft","intent":"order","for":{"reference":"Group/group-1"}}""",
        ];
        foreach (string task in tasks)
        {
            string id = System.Text.Json.JsonElement.Parse(task).GetProperty("id").GetString()!;
            Assert.Equal(HttpStatusCode.Created, (await sandbox.PutAsync($"Task/{id}", task)).Status);
            sandbox.Clock.Advance(TimeSpan.FromMinutes(1));
        }

        return sandbox;
    }
}
