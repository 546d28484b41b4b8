using System.Text.Json.Nodes;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary><c>titration outbox</c> beside a running service.</summary>
public sealed class OutboxCommandTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task A_dead_letter_is_listed_without_the_patient_and_sent_after_a_retry()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("patient-of-the-letter"), _days.Swelling("patient-of-the-letter", 5));
        OutboxRow dead = await BuryAsync(worker);

        CommandOutput listed = await worker.RunAsync(Cancelled, "outbox", "list", "--json");
        CommandOutput table = await worker.RunAsync(Cancelled, "outbox", "list");
        CommandOutput wrong = await worker.RunAsync(Cancelled, "outbox", "retry", "4711");
        CommandOutput retried = await worker.RunAsync(Cancelled, "outbox", "retry", $"{dead.Id}");
        await worker.DeliverAsync(Cancelled);

        JsonNode letter = Assert.Single(JsonNode.Parse(listed.Output)!.AsArray())!;
        Assert.Equal(
            (dead.Id, "issue", "safety-referral", "http-400"),
            (letter["id"]!.GetValue<long>(), letter["action"]!.GetValue<string>(), letter["kind"]!.GetValue<string>(), letter["problem"]!.GetValue<string>()));
        Assert.DoesNotContain("patient-of-the-letter", listed.Output + table.Output, StringComparison.Ordinal);
        Assert.Contains("safety", table.Output, StringComparison.Ordinal);
        Assert.Equal((1, 1, 1, 0), (listed.ExitCode, table.ExitCode, wrong.ExitCode, retried.ExitCode));
        Assert.Contains(
            await worker.SearchAsync("CommunicationRequest", Cancelled),
            r => r["identifier"]!.AsArray().Any(i => i!["value"]!.GetValue<string>() == letter["identifier"]!.GetValue<string>()));
        CommandOutput after = await worker.RunAsync(Cancelled, "outbox", "list");
        Assert.Equal((0, "The outbox has no dead letters."), (after.ExitCode, after.Output.Trim()));
    }

    private static async Task<OutboxRow> BuryAsync(EmbeddedWorker worker)
    {
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        OutboxRow entry = (await database.ClaimAsync(worker.Services.GetService(typeof(TimeProvider)) is TimeProvider time ? time.GetUtcNow() : default, TimeSpan.FromMinutes(1), 1, onlySafety: false, Cancelled))[0];
        Assert.True(await database.BuryAsync(entry, "http-400", Cancelled));
        return entry;
    }
}
