using System.Net;
using System.Text;
using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Microsoft.Extensions.DependencyInjection;
using Titration.Storage;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Titration.Worker.Intake;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary><c>titration quarantine</c> beside a running service.</summary>
public sealed class QuarantineCommandTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task What_is_held_is_listed_without_its_content_and_shown_with_it()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(TimeProvider.System, Cancelled);
        byte[] body = FhirJson.CheckIn("nobody").Without("subject").With(c => c["note"] = new JsonArray(new JsonObject { ["text"] = "said \u001b[2J in confidence" })).ToUtf8();
        await RefuseAsync(worker, body);
        await RefuseAsync(worker, body);

        // No part of the FHIR server's settings has to be right, or to be there.
        CommandOutput listed = await worker.RunAsync(
            [("Titration__FhirServer__BaseUrl", "https://fhir.example.org"), ("Titration__FhirServer__Auth", "smart")], ["quarantine", "list", "--json"], Cancelled);
        CommandOutput table = await worker.RunAsync(Cancelled, "quarantine", "list");
        CommandOutput shown = await worker.RunAsync(Cancelled, "quarantine", "show", "1");
        CommandOutput raw = await worker.RunAsync(Cancelled, "quarantine", "show", "1", "--raw");

        JsonNode held = Assert.Single(JsonNode.Parse(listed.Output)!.AsArray())!;
        Assert.Equal((1, 1, 2, "held", "http"), (listed.ExitCode, held["id"]!.GetValue<int>(), held["times"]!.GetValue<int>(), held["state"]!.GetValue<string>(), held["source"]!.GetValue<string>()));
        Assert.Equal((1, true), (table.ExitCode, table.Output.Contains("unreadable", StringComparison.Ordinal)));
        Assert.DoesNotContain("confidence", listed.Output + table.Output, StringComparison.Ordinal);
        Assert.Contains(held["problem"]!.GetValue<string>(), shown.Output, StringComparison.Ordinal);
        Assert.Contains("in confidence", shown.Output, StringComparison.Ordinal);
        Assert.DoesNotContain('\u001b', shown.Output);
        Assert.Equal((0, Encoding.UTF8.GetString(body)), (raw.ExitCode, raw.Output));
    }

    [Fact]
    public async Task What_is_shown_cannot_steer_the_terminal()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(TimeProvider.System, Cancelled);
        await RefuseAsync(worker, "no JSON \u001b[2J and \u202e backwards"u8.ToArray());

        CommandOutput shown = await worker.RunAsync(Cancelled, "quarantine", "show", "1");

        Assert.Contains("no JSON \\u001b[2J and \\u202e backwards", shown.Output, StringComparison.Ordinal);
    }

    [Fact]
    public async Task A_message_whose_date_lay_ahead_is_taken_in_by_a_retry_once_it_has_come()
    {
        ShiftedClock clock = new(_days.At(3));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"));
        await RefuseAsync(worker, _days.CheckIn("p1", 7, applied: 3).ToUtf8());

        CommandOutput tooEarly = await worker.RunAsync(Cancelled, "quarantine", "retry", "1");
        Assert.Equal(QuarantineState.RetryRequested, await StateAsync(worker));
        Assert.Equal(0, await worker.RetryWaitingAsync(Cancelled));
        Assert.Equal(QuarantineState.Held, await StateAsync(worker));

        clock.MoveTo(_days.At(8));
        CommandOutput again = await worker.RunAsync(Cancelled, "quarantine", "retry", "--all");
        Assert.Equal(1, await worker.RetryWaitingAsync(Cancelled));

        Assert.Equal((0, 0, QuarantineState.Retried), (tooEarly.ExitCode, again.ExitCode, await StateAsync(worker)));
        Assert.Equal(2, await FactsAsync(worker));
        CommandOutput listed = await worker.RunAsync(Cancelled, "quarantine", "list", "--json");
        Assert.Equal((0, "[]"), (listed.ExitCode, listed.Output.Trim()));
    }

    [Fact]
    public async Task A_retry_cut_off_between_the_facts_and_the_state_is_made_again_and_doubles_nothing()
    {
        ShiftedClock clock = new(_days.At(3));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        byte[] body = _days.CheckIn("p1", 7, applied: 3).ToUtf8();
        await RefuseAsync(worker, body);
        clock.MoveTo(_days.At(8));
        await worker.RunAsync(Cancelled, "quarantine", "retry", "1");

        // As far as a process gets that dies right after the commit.
        await worker.Services.GetRequiredService<IntakeHandler>().HandleAsync(body, "retry", null, null, Cancelled);
        Assert.Equal(QuarantineState.RetryRequested, await StateAsync(worker));
        Assert.Equal(1, await worker.RetryWaitingAsync(Cancelled));

        Assert.Equal((QuarantineState.Retried, 1), (await StateAsync(worker), await FactsAsync(worker)));
    }

    [Fact]
    public async Task A_held_Bundle_read_again_holds_only_the_part_that_is_still_wrong()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(8)), Cancelled);
        await using (TitrationDbContext database = await worker.OpenAsync(Cancelled))
        {
            // As an earlier version of the service might have refused the whole of it.
            byte[] bundle = FhirJson.Bundle("collection", _days.Order("p1"), FhirJson.CheckIn("nobody").Without("subject")).ToUtf8();
            await Storage.Intake.QuarantineQueries.QuarantineAsync(
                database, new Storage.Intake.UnreadableMessage(bundle, "queue", "unreadable", "$", "too new", null), _days.At(7), Cancelled);
        }

        await worker.RunAsync(Cancelled, "quarantine", "retry", "1");
        Assert.Equal(1, await worker.RetryWaitingAsync(Cancelled));

        await using TitrationDbContext after = await worker.OpenAsync(Cancelled);
        List<QuarantineRow> rows = await after.Quarantine.OrderBy(q => q.Id).ToListAsync(Cancelled);
        Assert.Equal([(QuarantineState.Retried, "queue"), (QuarantineState.Held, "retry")], rows.Select(r => (r.State, r.Source)));
        Assert.Equal(1, await FactsAsync(worker));
    }

    [Fact]
    public async Task What_was_discarded_is_held_no_more_and_a_wrong_id_is_said()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(TimeProvider.System, Cancelled);
        await RefuseAsync(worker, "junk"u8.ToArray());

        CommandOutput discarded = await worker.RunAsync(Cancelled, "quarantine", "discard", "1");
        CommandOutput twice = await worker.RunAsync(Cancelled, "quarantine", "retry", "1", "7");
        CommandOutput none = await worker.RunAsync(Cancelled, "quarantine", "retry");
        CommandOutput unknown = await worker.RunAsync(Cancelled, "quarantine", "show", "7");

        Assert.Equal(QuarantineState.Discarded, await StateAsync(worker));
        Assert.Equal((0, 1, 2, 1), (discarded.ExitCode, twice.ExitCode, none.ExitCode, unknown.ExitCode));
        Assert.Equal(2, twice.Errors.Split('\n', StringSplitOptions.RemoveEmptyEntries).Length);
    }

    [Fact]
    public async Task Without_a_database_nothing_is_made_and_one_line_says_so()
    {
        using TemporaryFolder folder = new();

        CommandOutput listed = await TitrationProcess.RunAsync(folder.Path, null, new Dictionary<string, string>(StringComparer.Ordinal), ["quarantine", "list"], Cancelled);

        Assert.Equal(2, listed.ExitCode);
        Assert.StartsWith("titration: there is no database at", Assert.Single(listed.Errors.Split('\n', StringSplitOptions.RemoveEmptyEntries)), StringComparison.Ordinal);
        Assert.Empty(Directory.GetFileSystemEntries(folder.Path));
    }

    [Fact]
    public async Task After_ninety_days_the_service_removes_what_it_holds()
    {
        ShiftedClock clock = new(_days.At(0));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        await RefuseAsync(worker, "junk"u8.ToArray());
        QuarantineRetention retention = worker.Services.GetRequiredService<QuarantineRetention>();

        clock.MoveTo(_days.At(90));
        Assert.Equal(0, await retention.RunAsync(Cancelled));
        clock.MoveTo(_days.At(90, 1));
        Assert.Equal(1, await retention.RunAsync(Cancelled));
    }

    private static async Task RefuseAsync(EmbeddedWorker worker, byte[] body)
    {
        using HttpResponseMessage response = await worker.PostAsync(body, Cancelled);
        Assert.Equal(HttpStatusCode.UnprocessableEntity, response.StatusCode);
    }

    private static async Task<QuarantineState> StateAsync(EmbeddedWorker worker)
    {
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        return (await database.Quarantine.AsNoTracking().SingleAsync(Cancelled)).State;
    }

    private static async Task<int> FactsAsync(EmbeddedWorker worker)
    {
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        return await database.Facts.CountAsync(Cancelled);
    }
}
