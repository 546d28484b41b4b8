using System.Net;
using System.Net.Http.Headers;
using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests.Reading;

/// <summary><c>titration subscribe</c>, and what FHIR servers then send.</summary>
public sealed class SubscribeTests
{
    private const string Endpoint = "https://titration.clinic.example.org:8443/inbound";

    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task Printed_is_one_Subscription_for_each_type_with_the_place_of_the_secret_and_not_the_secret()
    {
        using TemporaryFolder folder = new();
        await File.WriteAllTextAsync(folder.File("secret"), new string('s', 40), Cancelled);
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(TimeProvider.System, Cancelled);

        CommandOutput output = await worker.RunAsync([("Titration__Inbound__TokenFile", folder.File("secret"))], ["subscribe", Endpoint, "--print"], Cancelled);

        Assert.True(output.ExitCode == 0, output.Errors);
        JsonArray entries = JsonNode.Parse(output.Output)!["entry"]!.AsArray();
        Assert.Equal(
            ["MedicationRequest?", "Observation?", "Task?", "CommunicationRequest?"], entries.Select(e => e!["resource"]!["criteria"]!.GetValue<string>()), StringComparer.Ordinal);
        Assert.All(entries, e => Assert.Equal(
            ("rest-hook", Endpoint, "application/fhir+json", $"Authorization: Bearer (the secret in {folder.File("secret")})"),
            (Text(e, "type"), Text(e, "endpoint"), Text(e, "payload"), e!["resource"]!["channel"]!["header"]![0]!.GetValue<string>())));

        static string Text(JsonNode? entry, string member) => entry!["resource"]!["channel"]![member]!.GetValue<string>();
    }

    [Fact]
    public async Task With_a_topic_it_is_the_form_of_the_backport()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(TimeProvider.System, Cancelled);

        CommandOutput output = await worker.RunAsync(Cancelled, "subscribe", Endpoint, "--print", "--topic", "http://fhir.clinic.example.org/SubscriptionTopic/changes", "--content", "id-only");

        JsonNode subscription = JsonNode.Parse(output.Output)!;
        Assert.Equal("http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription", subscription["meta"]!["profile"]![0]!.GetValue<string>());
        Assert.Equal("http://fhir.clinic.example.org/SubscriptionTopic/changes", subscription["criteria"]!.GetValue<string>());
        JsonNode content = subscription["channel"]!["_payload"]!["extension"]![0]!;
        Assert.Equal("http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-payload-content", content["url"]!.GetValue<string>());
        Assert.Equal("id-only", content["valueCode"]!.GetValue<string>());
    }

    [Fact]
    public async Task A_server_without_Subscriptions_is_told_with_the_way_out()
    {
        using TemporaryFolder folder = new();
        await File.WriteAllTextAsync(folder.File("token"), "token", Cancelled);
        await using TokenServer server = await TokenServer.StartAsync(Cancelled);

        CommandOutput output = await TitrationProcess.RunAsync(
            folder.Path, null,
            new Dictionary<string, string>(StringComparer.Ordinal)
            {
                ["Titration__FhirServer__BaseUrl"] = server.Fhir.AbsoluteUri,
                ["Titration__FhirServer__Auth"] = "bearer",
                ["Titration__FhirServer__TokenFile"] = folder.File("token"),
            },
            ["subscribe", Endpoint], Cancelled);

        Assert.Equal(1, output.ExitCode);
        Assert.Contains("set Titration__FhirServer__PollSeconds", output.Errors, StringComparison.Ordinal);
    }

    [Theory]
    [InlineData("http://titration.clinic.example.org/inbound")]
    [InlineData("inbound")]
    [InlineData(Endpoint, "--content", "everything")]
    [InlineData(Endpoint, "--topic", "changes")]
    public async Task A_call_that_makes_no_sense_is_refused(params string[] arguments)
    {
        using TemporaryFolder folder = new();
        Assert.Equal(2, (await TitrationProcess.RunAsync(folder.Path, null, new Dictionary<string, string>(StringComparer.Ordinal), ["subscribe", .. arguments], Cancelled)).ExitCode);
    }

    [Fact]
    public async Task A_resource_that_comes_under_its_id_is_taken_in_and_a_deletion_takes_it_back()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);
        await worker.PutAsync(FhirJson.Patient("put"), Cancelled);

        using HttpResponseMessage order = await worker.Http.PutAsync(new Uri("inbound/MedicationRequest/rx-put", UriKind.Relative), Content(_days.Order("put")), Cancelled);
        using HttpResponseMessage swelling = await worker.Http.PutAsync(new Uri("inbound/Observation/swelling-put-5", UriKind.Relative), Content(_days.Swelling("put", 5)), Cancelled);
        Assert.StartsWith("Discontinue", await worker.StandingAsync("put", Cancelled), StringComparison.Ordinal);
        using HttpResponseMessage deleted = await worker.Http.DeleteAsync(new Uri("inbound/Observation/swelling-put-5", UriKind.Relative), Cancelled);

        Assert.Equal([HttpStatusCode.OK, HttpStatusCode.OK, HttpStatusCode.OK], [order.StatusCode, swelling.StatusCode, deleted.StatusCode]);
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        Assert.DoesNotContain("Discontinue", (await database.Courses.SingleAsync(Cancelled)).Outcome.ToString(), StringComparison.Ordinal);
    }

    [Theory]
    [InlineData("handshake")]
    [InlineData("heartbeat")]
    public async Task A_handshake_and_a_heartbeat_are_answered_and_kept_nowhere(string type)
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(TimeProvider.System, Cancelled);
        JsonObject status = JsonNode.Parse($$"""
            {
              "resourceType": "Bundle", "type": "history", "timestamp": "2026-03-16T19:31:02Z",
              "meta": { "profile": ["http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription-notification-r4"] },
              "entry": [{
                "fullUrl": "urn:uuid:54b4285e-3c0d-5a33-a118-13313d0e7884",
                "resource": {
                  "resourceType": "Parameters", "id": "54b4285e-3c0d-5a33-a118-13313d0e7884",
                  "parameter": [
                    { "name": "subscription", "valueReference": { "reference": "https://fhir.clinic.example.org/r4/Subscription/titration" } },
                    { "name": "status", "valueCode": "requested" }, { "name": "type", "valueCode": "{{type}}" }
                  ]
                },
                "request": { "method": "GET", "url": "https://fhir.clinic.example.org/r4/Subscription/titration/$status" }, "response": { "status": "200" }
              }]
            }
            """)!.AsObject();

        using HttpResponseMessage response = await worker.PostAsync(status.ToUtf8(), Cancelled);

        Assert.Equal(HttpStatusCode.OK, response.StatusCode);
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        Assert.Equal((0, 0), (await database.Quarantine.CountAsync(Cancelled), await database.Waiting.CountAsync(Cancelled)));
    }

    private static ByteArrayContent Content(JsonObject resource)
    {
        ByteArrayContent content = new(resource.ToUtf8());
        content.Headers.ContentType = new MediaTypeHeaderValue("application/fhir+json");
        return content;
    }
}
