using System.Text.Json.Nodes;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary><c>titration backfill</c> from the independent endpoint into PostgreSQL.</summary>
public sealed class BackfillTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task What_was_there_before_is_taken_in_at_once_and_a_Task_answered_while_nobody_listened_too()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        string[] names = [.. Enumerable.Range(1, 25).Select(i => $"before-{i:00}")];
        await parts.KnowPatientsAsync(Cancelled, names);
        await parts.Peer.PutAsync(new JsonObject { ["resourceType"] = "Medication", ["id"] = "cream", ["code"] = _days.Order("any")["medicationCodeableConcept"]!.DeepClone() }, Cancelled);
        foreach (string name in names)
        {
            await parts.Peer.PutAsync(_days.Order(name).Without("medicationCodeableConcept").With(o => o["medicationReference"] = new JsonObject { ["reference"] = "Medication/cream" }), Cancelled);
            await parts.Peer.PutAsync(_days.CheckIn(name, 5, applied: 3), Cancelled);
        }

        await parts.Peer.ResetLogAsync(Cancelled);
        await parts.Peer.FaultsAsync(Cancelled, new Fault("GET /fhir/Observation", Status: 429, RetryAfter: 2));
        CommandOutput first = await BackfillAsync(parts);

        Assert.True(first.ExitCode == 0, first.Errors);
        IReadOnlyList<SeenRequest> asked = await parts.Peer.LogAsync(Cancelled);
        Assert.Single(asked, a => a.Url == "/fhir/Medication/cream");
        SeenRequest[] observations = [.. asked.Where(a => a.Url.StartsWith("/fhir/Observation?", StringComparison.Ordinal))];
        Assert.Equal(429, observations[0].Status);
        Assert.True(observations[1].At - observations[0].At >= TimeSpan.FromSeconds(2));
        await using TitrationDbContext database = parts.Open();
        Assert.Equal(25, await database.Courses.CountAsync(Cancelled));
        Assert.Equal(25, await database.Decisions.CountAsync(Cancelled));

        await using (RunningWorker worker = await parts.StartAsync(TimeProvider.System, Cancelled))
        {
            // After two months of silence there is a task for the clinic about each.
            await Eventually.HoldsAsync(
                "the tasks of all patients", async () => (await parts.Peer.SearchAsync("Task", Cancelled)).Select(t => t["for"]?["reference"]?.GetValue<string>()).OfType<string>().Distinct(StringComparer.Ordinal).Count() == 25, Cancelled);
        }

        JsonObject task = (await parts.Peer.SearchAsync("Task", Cancelled)).First(t => t["for"]?["reference"]?.GetValue<string>() == "Patient/before-07");
        await parts.Peer.PutAsync(task.With(t => t["status"] = "completed"), Cancelled);
        CommandOutput second = await BackfillAsync(parts);

        Assert.True(second.ExitCode == 0, second.Errors);
        FactRow answer = await database.Facts.AsNoTracking().SingleAsync(f => f.ResourceType == "Task", Cancelled);
        Assert.Equal(("before-07", task["id"]!.GetValue<string>()), (answer.Patient, answer.ResourceId));
        Assert.Equal(25, await database.Courses.CountAsync(Cancelled));
    }

    private static async Task<CommandOutput> BackfillAsync(Surroundings parts)
    {
        string folder = Directory.CreateTempSubdirectory("titration-backfill-").FullName;
        try
        {
            return await TitrationProcess.RunAsync(
                folder, null, parts.Settings(),
                ["backfill", "--apply", "--page-size", "20"], Cancelled);
        }
        finally
        {
            Directory.Delete(folder, recursive: true);
        }
    }
}
