using System.Net;
using System.Text.Json.Nodes;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary><c>POST /inbound</c> of the embedded mode.</summary>
public sealed class InboundTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task What_was_taken_in_leads_to_a_CommunicationRequest_on_the_embedded_endpoint()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(14)), Cancelled);
        await worker.PutAsync(FhirJson.Patient("steady"), Cancelled);

        await worker.TakeInAsync(Cancelled, _days.Order("steady"), _days.CheckIn("steady", 5, applied: 3), _days.CheckIn("steady", 13, applied: 4));
        await worker.DeliverAsync(Cancelled);

        JsonObject draft = Assert.Single(await worker.SearchAsync("CommunicationRequest", Cancelled), r => r["status"]!.GetValue<string>() == "draft");
        JsonObject task = Assert.Single(await worker.SearchAsync("Task", Cancelled), t => t["status"]!.GetValue<string>() == "requested");
        Assert.StartsWith($"CommunicationRequest/{draft["id"]}", task["focus"]!["reference"]!.GetValue<string>(), StringComparison.Ordinal);
    }

    [Fact]
    public async Task An_answer_says_what_became_of_each_resource_of_a_Bundle()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);

        using HttpResponseMessage response = await worker.PostAsync(
            FhirJson.Bundle("collection", _days.Order("mixed"), FhirJson.CheckIn("nobody").Without("subject"), FhirJson.Observation("effect", "valueBoolean", true).With(o => o["code"] = FhirJson.Concept(FhirJson.Snomed, "271649006"))).ToUtf8(),
            Cancelled);

        JsonArray results = JsonNode.Parse(await response.Content.ReadAsStringAsync(Cancelled))!.AsArray();
        Assert.Equal(HttpStatusCode.UnprocessableEntity, response.StatusCode);
        Assert.Equal(
            [("MedicationRequest/rx-mixed", "taken-in"), ("Observation/nobody", "quarantined"), ("Observation/obs-1", "skipped")],
            results.Where(r => !r!["resource"]!.GetValue<string>().StartsWith("Patient/", StringComparison.Ordinal)).Select(r => (r!["resource"]!.GetValue<string>(), r["disposition"]!.GetValue<string>())));
    }

    [Theory]
    [InlineData("{\"resourceType\":\"Observation\",\"id\":\"cut")]
    [InlineData("")]
    [InlineData("null")]
    [InlineData("[]")]
    [InlineData("{}")]
    [InlineData("{\"resourceType\":\"Observatory\"}")]
    public async Task What_cannot_be_read_is_answered_with_422(string body)
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(TimeProvider.System, Cancelled);

        using HttpResponseMessage response = await worker.PostAsync(System.Text.Encoding.UTF8.GetBytes(body), Cancelled);

        Assert.Equal(HttpStatusCode.UnprocessableEntity, response.StatusCode);
        Assert.Contains("quarantined", await response.Content.ReadAsStringAsync(Cancelled), StringComparison.Ordinal);
    }

    [Fact]
    public async Task A_body_over_10_MiB_is_answered_with_413_and_one_of_10_MiB_is_read()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(TimeProvider.System, Cancelled);
        byte[] largest = new byte[10 * 1024 * 1024];
        Array.Fill(largest, (byte)' ');

        using HttpResponseMessage allowed = await worker.PostAsync(largest, Cancelled);
        using HttpResponseMessage refused = await worker.PostAsync([.. largest, (byte)' '], Cancelled);
        using HttpRequestMessage streamed = new(HttpMethod.Post, new Uri("inbound", UriKind.Relative)) { Content = new StreamContent(new MemoryStream([.. largest, (byte)' '])) };
        streamed.Headers.TransferEncodingChunked = true;
        using HttpResponseMessage refusedWithoutLength = await worker.Http.SendAsync(streamed, Cancelled);

        Assert.Equal(HttpStatusCode.UnprocessableEntity, allowed.StatusCode);
        Assert.Equal(HttpStatusCode.RequestEntityTooLarge, refused.StatusCode);
        Assert.Equal(HttpStatusCode.RequestEntityTooLarge, refusedWithoutLength.StatusCode);
    }

    [Fact]
    public async Task The_same_message_twice_says_everything_once()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);

        await worker.TakeInAsync(Cancelled, _days.Order("twice"), _days.Swelling("twice", 5), _days.Order("twice"), _days.Swelling("twice", 5));
        await worker.DeliverAsync(Cancelled);
        await worker.DeliverAsync(Cancelled);

        Assert.Single(await worker.SearchAsync("DetectedIssue", Cancelled));
    }

    [Fact]
    public async Task With_a_secret_set_only_who_shows_it_is_let_in()
    {
        using TemporaryFolder folder = new();
        string secret = new('s', 40);
        await File.WriteAllTextAsync(folder.File("secret"), secret, Cancelled);
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(6)), Cancelled, inboundTokenFile: folder.File("secret"));
        byte[] order = _days.Order("guarded").ToUtf8();

        using HttpResponseMessage none = await worker.PostAsync(order, Cancelled);
        worker.Http.DefaultRequestHeaders.Authorization = new("Bearer", secret[1..]);
        using HttpResponseMessage wrong = await worker.PostAsync(order, Cancelled);
        worker.Http.DefaultRequestHeaders.Authorization = new("Bearer", secret);
        using HttpResponseMessage right = await worker.PostAsync(order, Cancelled);
        await File.WriteAllTextAsync(folder.File("secret"), new string('t', 40), Cancelled);
        using HttpResponseMessage replaced = await worker.PostAsync(order, Cancelled);

        Assert.Equal(
            [HttpStatusCode.Unauthorized, HttpStatusCode.Unauthorized, HttpStatusCode.OK, HttpStatusCode.Unauthorized],
            [none.StatusCode, wrong.StatusCode, right.StatusCode, replaced.StatusCode]);
    }
}
