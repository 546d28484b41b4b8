using System.Text.Json.Nodes;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>What a clinician approved and prescribed, whatever order the news of it comes in.</summary>
public sealed class ApprovalTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Theory]
    [InlineData("approval", "new order", "old order stopped")]
    [InlineData("approval", "old order stopped", "new order")]
    [InlineData("new order", "approval", "old order stopped")]
    [InlineData("new order", "old order stopped", "approval")]
    [InlineData("old order stopped", "approval", "new order")]
    [InlineData("old order stopped", "new order", "approval")]
    public async Task The_approved_message_reaches_the_patient_in_whatever_order_the_news_comes(params string[] news)
    {
        ShiftedClock clock = new(_days.At(14, 9));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        JsonObject approved = await ApprovedAsync(worker);

        clock.MoveTo(_days.At(15, 10));
        foreach (string one in news)
        {
            await worker.TakeInAsync(Cancelled, one switch
            {
                "approval" => approved.With(t => t["meta"] = new JsonObject { ["versionId"] = "9" }),
                "new order" => FhirJson.MedicationRequest(id: "rx-2", patient: "p1", authoredOn: $"{_days.At(15, 9.1):yyyy-MM-ddTHH:mm:ssZ}", period: 1, prior: "rx-p1"),
                "old order stopped" => StoppedOrder(),
                _ => throw new ArgumentOutOfRangeException(nameof(news), one, "no such news"),
            });
            await worker.PassAsync(Cancelled);
        }

        Assert.Equal("active", await MessageAsync(worker));
    }

    [Fact]
    public async Task Approved_but_stopped_without_a_new_order_the_draft_goes_after_two_weeks()
    {
        ShiftedClock clock = new(_days.At(14, 9));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        JsonObject approved = await ApprovedAsync(worker);

        clock.MoveTo(_days.At(15, 10));
        await worker.TakeInAsync(Cancelled, approved.With(t => t["meta"] = new JsonObject { ["versionId"] = "9" }), StoppedOrder());
        await worker.PassAsync(Cancelled);
        Assert.Equal("draft", await MessageAsync(worker));

        clock.MoveTo(_days.At(29, 10));
        await worker.PassAsync(Cancelled);
        Assert.Equal("revoked", await MessageAsync(worker));
    }

    [Fact]
    public async Task A_message_that_was_taken_back_stays_so_however_often_the_order_is_put_on_hold_and_goes_on()
    {
        ShiftedClock clock = new(_days.At(14, 9));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        JsonObject approved = await ApprovedAsync(worker);
        clock.MoveTo(_days.At(15, 10));
        await worker.TakeInAsync(Cancelled, approved.With(t => t["meta"] = new JsonObject { ["versionId"] = "9" }), StepOrder("active", 15));
        await worker.PassAsync(Cancelled);
        Assert.Equal("active", await MessageAsync(worker));

        foreach ((string status, int day) in new[] { ("on-hold", 18), ("active", 20), ("on-hold", 22), ("active", 24) })
        {
            clock.MoveTo(_days.At(day, 10));
            await worker.TakeInAsync(Cancelled, StepOrder(status, day));
            await worker.PassAsync(Cancelled);
        }

        Assert.Equal("revoked", await MessageAsync(worker));
        JsonNode shown = JsonNode.Parse((await worker.RunAsync(Cancelled, "course", "show", "p1", "--json")).Output)![0]!;
        JsonNode message = Assert.Single(shown["communications"]!.AsArray(), c => c!["kind"]!.GetValue<string>() == "step-change")!;
        Assert.Equal(["sent", "approved", "activated", "withdrawn"], message["fate"]!.AsArray().Select(e => e!["what"]!.GetValue<string>()));
    }

    private JsonObject StepOrder(string status, int day) => FhirJson.MedicationRequest(
        id: "rx-2", patient: "p1", authoredOn: $"{_days.At(15, 9.1):yyyy-MM-ddTHH:mm:ssZ}", period: 1, prior: "rx-p1", status: status,
        version: $"{day}", lastUpdated: $"{_days.At(day, 9.2):yyyy-MM-ddTHH:mm:ssZ}");

    private async Task<JsonObject> ApprovedAsync(EmbeddedWorker worker)
    {
        await worker.PutAsync(FhirJson.Patient("p1"), Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"), _days.CheckIn("p1", 5, applied: 3), _days.CheckIn("p1", 13, applied: 4));
        await worker.PassAsync(Cancelled);
        JsonObject approved = ClinicianAnswer.Complete(Assert.Single(await worker.SearchAsync("Task", Cancelled)), "approved", _days.At(15, 9));
        await worker.PutAsync(approved, Cancelled);
        return approved;
    }

    private JsonObject StoppedOrder() => _days.Order("p1").With(o => (o["status"], o["meta"]) =
        ("stopped", new JsonObject { ["versionId"] = "2", ["lastUpdated"] = $"{_days.At(15, 9.2):yyyy-MM-ddTHH:mm:ssZ}" }));

    private static async Task<string> MessageAsync(EmbeddedWorker worker) => Assert.Single(
        await worker.SearchAsync("CommunicationRequest", Cancelled), c => c["category"]![0]!["coding"]![0]!["code"]!.GetValue<string>() == "instruction")["status"]!.GetValue<string>();
}
