using System.Net;
using System.Text.Json;
using Xunit;
using static Titration.Sandbox.Tests.Resources;

namespace Titration.Sandbox.Tests;

public sealed class BundleTests
{
    private const string Request = "urn:uuid:f0892aab-b446-58bb-a102-1b388a182ecc";
    private const string Asked = "urn:uuid:e1274191-5cc6-5e3d-8330-2de442c124a2";

    [Fact]
    public async Task Entries_of_a_transaction_may_refer_to_each_other_in_any_order()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply reply = await sandbox.PostAsync("", Proposal());

        Assert.Equal(HttpStatusCode.OK, reply.Status);
        Assert.Equal("transaction-response", reply.Json.GetProperty("type").GetString());
        Assert.Equal(["201 Created", "201 Created", "201 Created"], reply.Statuses);
        string[] locations = [.. reply.Entries.Select(e => e.GetProperty("response").GetProperty("location").GetString()!)];
        Assert.Equal($"{sandbox.BaseUrl}/Provenance/prov-1/_history/1", locations[0]);
        Assert.StartsWith($"{sandbox.BaseUrl}/Task/", locations[1], StringComparison.Ordinal);
        string request = Relative(sandbox, locations[2]);
        JsonElement task = (await sandbox.GetAsync(Relative(sandbox, locations[1]))).Json;
        JsonElement provenance = (await sandbox.GetAsync("Provenance/prov-1")).Json;
        Assert.Equal(request, task.GetProperty("focus").GetProperty("reference").GetString());
        Assert.Equal(request, provenance.GetProperty("target")[0].GetProperty("reference").GetString());
        Assert.Equal([task.GetProperty("id").GetString()], (await sandbox.GetAsync($"Task?focus={request}")).Ids);
    }

    [Fact]
    public async Task A_transaction_sent_twice_creates_nothing_twice_and_refers_to_what_is_there()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        Reply first = await sandbox.PostAsync("", Proposal());

        Reply again = await sandbox.PostAsync("", Proposal());

        Assert.Equal(["200 OK", "200 OK", "200 OK"], again.Statuses);
        Assert.Equal(first.Entries[1].GetRawText(), again.Entries[1].GetRawText().Replace("200 OK", "201 Created", StringComparison.Ordinal));
        Assert.Single((await sandbox.GetAsync("CommunicationRequest")).Ids);
        JsonElement provenance = (await sandbox.GetAsync("Provenance/prov-1")).Json;
        Assert.Equal($"CommunicationRequest/{(await sandbox.GetAsync("CommunicationRequest")).Ids[0]}", provenance.GetProperty("target")[0].GetProperty("reference").GetString());
    }

    [Fact]
    public async Task An_identifier_that_looks_like_a_reference_stays_as_it_is()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        string task = $$"""
            {"resourceType":"Task","identifier":[{"system":"urn:ietf:rfc:3986","value":"{{Request}}"}],"status":"draft","intent":"order",
             "input":[{"type":{"text":"about"},"valueReference":{"reference":"{{Request}}"} },{"type":{"text":"uri"},"valueUri":"{{Request}}"},{"type":{"text":"text"},"valueString":"{{Request}}"}]}
            """;

        await sandbox.PostAsync("", Bundle("transaction", Entry("POST", "Task", task), Entry("POST", "Patient", APatient(), Request)));

        JsonElement stored = (await sandbox.GetAsync("Task")).Entries[0].GetProperty("resource");
        string patient = $"Patient/{(await sandbox.GetAsync("Patient")).Ids[0]}";
        JsonElement input = stored.GetProperty("input");
        Assert.Equal(Request, stored.GetProperty("identifier")[0].GetProperty("value").GetString());
        Assert.Equal(patient, input[0].GetProperty("valueReference").GetProperty("reference").GetString());
        Assert.Equal(patient, input[1].GetProperty("valueUri").GetString());
        Assert.Equal(Request, input[2].GetProperty("valueString").GetString());
    }

    [Theory]
    [MemberData(nameof(FailingEntries))]
    public async Task A_transaction_with_one_entry_that_fails_leaves_nothing_behind(string entry, HttpStatusCode expected)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PutAsync("Task/there", ATask("there", id: "there"));
        await sandbox.PostAsync("Task", ATask("twice"));
        await sandbox.PostAsync("Task", ATask("twice"));

        Reply refused = await sandbox.PostAsync("", Bundle(
            "transaction",
            Entry("POST", "Patient", APatient()),
            Entry("PUT", "Task/there", ATask("there", "cancelled", id: "there")),
            entry));

        Assert.Equal(expected, refused.Status);
        Assert.StartsWith("Entry 2: ", refused.Issue().Diagnostics, StringComparison.Ordinal);
        Assert.Empty((await sandbox.GetAsync("Patient")).Ids);
        Assert.Equal("1", (await sandbox.GetAsync("Task/there")).Version);
        Assert.Equal(["there"], (await sandbox.GetAsync("Task?identifier=there&status=requested")).Ids);
        Assert.Equal(HttpStatusCode.Created, (await sandbox.PostAsync("Patient", APatient())).Status);
    }

    public static TheoryData<string, HttpStatusCode> FailingEntries => new()
    {
        { Entry("PUT", "Patient/px", APatient("px"), more: ",\"ifMatch\":\"W/\\\"3\\\"\""), HttpStatusCode.PreconditionFailed },
        { Entry("POST", "Task", ATask("twice"), more: IfNoneExist("twice")), HttpStatusCode.PreconditionFailed },
        { Entry("POST", "Task", """{"resourceType":"Task","status":"nonsense","intent":"order"}"""), HttpStatusCode.BadRequest },
        { Entry("POST", "Task", APatient()), HttpStatusCode.BadRequest },
        { Entry("POST", "Task"), HttpStatusCode.BadRequest },
        { Entry("PUT", "Patient/px", APatient("other")), HttpStatusCode.BadRequest },
        { Entry("PUT", "Task/there", ATask("again", id: "there")), HttpStatusCode.BadRequest },
        { Entry("PUT", "Patient?identifier=a", APatient("px")), HttpStatusCode.MethodNotAllowed },
        { Entry("POST", "Task", ATask("x", focus: Asked)), HttpStatusCode.BadRequest },
        { Entry("GET", "Patient/nobody"), HttpStatusCode.NotFound },
        { Entry("DELETE", "Task/there"), HttpStatusCode.MethodNotAllowed },
        { Entry("POST", "/", APatient()), HttpStatusCode.BadRequest },
        { Entry("POST", "Nonsense", APatient()), HttpStatusCode.NotFound },
        { $$"""{"resource":{{APatient()}}}""", HttpStatusCode.BadRequest },
    };

    [Fact]
    public async Task Two_entries_that_create_on_one_condition_are_refused()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply refused = await sandbox.PostAsync("", Bundle(
            "transaction", Entry("POST", "Task", ATask("a"), more: IfNoneExist("a")), Entry("POST", "Task", ATask("a"), more: IfNoneExist("a"))));

        Assert.Equal(HttpStatusCode.BadRequest, refused.Status);
        Assert.Empty((await sandbox.GetAsync("Task")).Ids);
    }

    [Fact]
    public async Task An_update_on_the_right_version_is_made_and_a_read_in_the_same_transaction_sees_it()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PutAsync("Task/t", ATask("a", id: "t"));

        Reply reply = await sandbox.PostAsync("", Bundle(
            "transaction",
            Entry("GET", "Task/t"),
            Entry("GET", "Task?status=cancelled"),
            Entry("PUT", "Task/t", ATask("a", "cancelled", id: "t"), more: ",\"ifMatch\":\"W/\\\"1\\\"\"")));

        Assert.Equal(["200 OK", "200 OK", "200 OK"], reply.Statuses);
        Assert.Equal("cancelled", reply.Entries[0].GetProperty("resource").GetProperty("status").GetString());
        Assert.Equal("searchset", reply.Entries[1].GetProperty("resource").GetProperty("type").GetString());
        Assert.Equal("W/\"2\"", reply.Entries[2].GetProperty("response").GetProperty("etag").GetString());
    }

    [Fact]
    public async Task A_new_id_in_a_transaction_stays_clear_of_the_ids_its_clients_choose()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply reply = await sandbox.PostAsync("", Bundle(
            "transaction", Entry("POST", "Patient", APatient(family: "New")), Entry("PUT", "Patient/1", APatient("1", "Chosen"))));

        Assert.Equal(["201 Created", "201 Created"], reply.Statuses);
        Assert.Equal(2, (await sandbox.GetAsync("Patient")).Ids.Length);
    }

    [Fact]
    public async Task In_a_batch_each_entry_stands_alone()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PutAsync("Task/t", ATask("a", id: "t"));

        Reply reply = await sandbox.PostAsync("", Bundle(
            "batch",
            Entry("POST", "Task", """{"resourceType":"Task","status":"nonsense","intent":"order"}"""),
            Entry("GET", "Task/t"),
            Entry("GET", "Task/none"),
            Entry("POST", "Patient", APatient()),
            Entry("DELETE", "Task/t"),
            Entry("GET", "Task/t", more: ",\"ifNoneMatch\":\"W/\\\"1\\\"\""),
            Entry("PUT", "Task/t", ATask("a", "accepted", id: "t"), more: ",\"ifMatch\":\"W/\\\"9\\\"\""),
            Entry("POST", "/", Bundle("batch", Entry("GET", "Task/t")))));

        Assert.Equal(HttpStatusCode.OK, reply.Status);
        Assert.Equal("batch-response", reply.Json.GetProperty("type").GetString());
        Assert.Equal(
            [
                "400 Bad Request", "200 OK", "404 Not Found", "201 Created", "405 Method Not Allowed", "304 Not Modified", "412 Precondition Failed",
                "400 Bad Request",
            ],
            reply.Statuses);
        Assert.Equal("OperationOutcome", reply.Entries[0].GetProperty("response").GetProperty("outcome").GetProperty("resourceType").GetString());
        Assert.Single((await sandbox.GetAsync("Patient")).Ids);
    }

    [Theory]
    [InlineData("""{"resourceType":"Bundle","type":"collection"}""")]
    [InlineData("""{"resourceType":"Bundle","type":"transaction","entry":[7]}""")]
    [InlineData("""{"resourceType":"Bundle","type":"transaction","entry":[{"resource":7}]}""")]
    [InlineData("""{"resourceType":"Bundle","type":"transaction","entry":{}}""")]
    [InlineData("""{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"FETCH","url":"Patient"}}]}""")]
    [InlineData("""{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"GET"}}]}""")]
    [InlineData("""{"resourceType":"Bundle","type":"transaction","entry":[{"fullUrl":"\ud800","request":{"method":"GET","url":"Task"}}]}""")]
    [InlineData("""{"resourceType":"Bundle"}""")]
    [InlineData("""{"resourceType":"Patient","active":true}""")]
    public async Task What_is_no_transaction_and_no_batch_is_refused(string body)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply refused = await sandbox.PostAsync("", body);

        Assert.Equal(HttpStatusCode.BadRequest, refused.Status);
        Assert.NotEmpty(refused.Issue().Diagnostics);
    }

    [Fact]
    public async Task An_empty_transaction_is_answered_with_no_entries()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply reply = await sandbox.PostAsync("", """{"resourceType":"Bundle","type":"transaction"}""");

        Assert.Equal("""{"resourceType":"Bundle","type":"transaction-response"}""", reply.Body);
    }

    [Fact]
    public async Task Many_identical_transactions_at_once_create_each_resource_once()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply[] replies = await Task.WhenAll(Enumerable.Range(0, 16).Select(_ => sandbox.PostAsync("", Proposal())));

        Assert.All(replies, r => Assert.Equal(HttpStatusCode.OK, r.Status));
        Assert.Single(replies, r => r.Statuses[1] == "201 Created");
        Assert.Single((await sandbox.GetAsync("Task")).Ids);
        Assert.Single((await sandbox.GetAsync("CommunicationRequest")).Ids);
    }

    /// <summary>As the service sends it, but with every reference pointing forward.</summary>
    private static string Proposal() => Bundle(
        "transaction",
        Entry(
            "PUT",
            "Provenance/prov-1",
            $$"""
            {"resourceType":"Provenance","id":"prov-1","target":[{"reference":"{{Request}}"},{"reference":"{{Asked}}"}],
             "recorded":"2026-03-01T10:00:00Z","agent":[{"who":{"reference":"Device/titration-service"} }]}
            """),
        Entry("POST", "Task", ATask("task", focus: Request), Asked, IfNoneExist("task")),
        Entry("POST", "CommunicationRequest", ACommunicationRequest("request"), Request, IfNoneExist("request")));

    private static string Relative(RunningSandbox sandbox, string location) =>
        location[(sandbox.BaseUrl.Length + 1)..location.IndexOf("/_history", StringComparison.Ordinal)];
}
