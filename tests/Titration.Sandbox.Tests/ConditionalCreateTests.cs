using System.Net;
using System.Net.Sockets;
using System.Text;
using Xunit;
using static Titration.Sandbox.Tests.Resources;

namespace Titration.Sandbox.Tests;

public sealed class ConditionalCreateTests
{
    [Fact]
    public async Task A_create_repeated_on_its_identifier_answers_with_the_resource_that_is_there()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply first = await sandbox.PostAsync("Task", ATask("a"), "If-None-Exist", Condition("a"));
        Reply again = await sandbox.PostAsync("Task", ATask("a"), "If-None-Exist", Condition("a"));

        Assert.Equal(HttpStatusCode.Created, first.Status);
        Assert.Equal(HttpStatusCode.OK, again.Status);
        Assert.Equal(first.Body, again.Body);
        Assert.Equal(first.Location, again.Location);
        Assert.Equal("1", again.Version);
    }

    [Fact]
    public async Task A_replayed_create_does_not_undo_what_a_clinician_has_changed_since()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        Reply first = await sandbox.PostAsync("Task", ATask("a"), "If-None-Exist", Condition("a"));
        await sandbox.PutAsync($"Task/{first.Id}", ATask("a", "completed", id: first.Id));

        Reply replay = await sandbox.PostAsync("Task", ATask("a"), "If-None-Exist", Condition("a"));

        Assert.Equal(HttpStatusCode.OK, replay.Status);
        Assert.Equal("completed", replay.Json.GetProperty("status").GetString());
    }

    [Fact]
    public async Task A_create_whose_condition_fits_several_is_refused()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PostAsync("Task", ATask("a"));
        await sandbox.PostAsync("Task", ATask("a"));

        Reply refused = await sandbox.PostAsync("Task", ATask("a"), "If-None-Exist", Condition("a"));

        Assert.Equal(HttpStatusCode.PreconditionFailed, refused.Status);
        Assert.Equal("multiple-matches", refused.Issue().Code);
        Assert.Equal(2, (await sandbox.GetAsync("Task")).Ids.Length);
    }

    [Fact]
    public async Task An_identifier_that_holds_the_separators_of_a_search_is_found_when_they_are_escaped()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        string condition = $"identifier={Uri.EscapeDataString($@"{IdSystem}|a\|b\,c")}";

        Reply first = await sandbox.PostAsync("Task", ATask("a|b,c"), "If-None-Exist", condition);
        Reply again = await sandbox.PostAsync("Task", ATask("a|b,c"), "If-None-Exist", condition);

        Assert.Equal(HttpStatusCode.Created, first.Status);
        Assert.Equal(HttpStatusCode.OK, again.Status);
    }

    [Theory]
    [InlineData("")]
    [InlineData("_count=1")]
    [InlineData("nonsense=1")]
    [InlineData("identifier=a|b|c")]
    public async Task A_condition_that_says_nothing_creates_nothing(string condition)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply refused = await sandbox.PostAsync("Task", ATask("a"), "If-None-Exist", condition);

        Assert.Equal(HttpStatusCode.BadRequest, refused.Status);
        Assert.Empty((await sandbox.GetAsync("Task")).Ids);
    }

    [Fact]
    public async Task Two_conditions_at_once_are_refused_rather_than_guessed_at()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        string answer = await SendRawAsync(sandbox, $"""
            POST /fhir/Task HTTP/1.1
            Host: 127.0.0.1
            Content-Type: application/fhir+json
            Content-Length: {ATask("a").Length}
            If-None-Exist: {Condition("a")}
            If-None-Exist: {Condition("b")}
            Connection: close

            {ATask("a")}
            """);

        Assert.StartsWith("HTTP/1.1 400 ", answer, StringComparison.Ordinal);
        Assert.Contains("If-None-Exist may be sent once", answer, StringComparison.Ordinal);
        Assert.Empty((await sandbox.GetAsync("Task")).Ids);
    }

    [Fact]
    public async Task Many_identical_conditional_creates_at_once_leave_exactly_one_resource()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        for (int round = 0; round < 20; round++)
        {
            string identifier = $"round-{round}";
            Reply[] replies = await Task.WhenAll(
                Enumerable.Range(0, 16).Select(_ => sandbox.PostAsync("Task", ATask(identifier), "If-None-Exist", Condition(identifier))));

            Assert.Single(replies, r => r.Status == HttpStatusCode.Created);
            Assert.Equal(15, replies.Count(r => r.Status == HttpStatusCode.OK));
            Assert.Single(replies.Select(r => r.Id).Distinct());
            Assert.Single((await sandbox.GetAsync($"Task?{Condition(identifier)}")).Ids);
        }
    }

    [Fact]
    public async Task Of_many_updates_at_once_on_the_same_version_exactly_one_is_made()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PutAsync("Task/t", ATask("a", id: "t"));

        Reply[] replies = await Task.WhenAll(
            Enumerable.Range(0, 16).Select(_ => sandbox.PutAsync("Task/t", ATask("a", "accepted", id: "t"), "If-Match", "W/\"1\"")));

        Assert.Single(replies, r => r.Status == HttpStatusCode.OK);
        Assert.Equal(15, replies.Count(r => r.Status == HttpStatusCode.PreconditionFailed));
        Assert.Equal("2", (await sandbox.GetAsync("Task/t")).Version);
    }

    /// <summary>HttpClient would send a header that is set twice as one.</summary>
    private static async Task<string> SendRawAsync(RunningSandbox sandbox, string request)
    {
        using TcpClient client = new();
        await client.ConnectAsync("127.0.0.1", new Uri(sandbox.BaseUrl).Port, TestContext.Current.CancellationToken);
        await using NetworkStream stream = client.GetStream();
        await stream.WriteAsync(Encoding.UTF8.GetBytes(request.ReplaceLineEndings("\r\n")), TestContext.Current.CancellationToken);
        using StreamReader reader = new(stream);
        return await reader.ReadToEndAsync(TestContext.Current.CancellationToken);
    }
}
