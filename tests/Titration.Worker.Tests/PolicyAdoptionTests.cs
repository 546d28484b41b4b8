using System.Net;
using System.Text.Json.Nodes;
using Microsoft.Extensions.DependencyInjection;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Titration.Worker.Deciding;
using Titration.Worker.Hosting;
using Titration.Worker.Intake;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>A worker decides by the policy that the clinic has adopted, or not at all.</summary>
public sealed class PolicyAdoptionTests
{
    private static readonly (string, string) ClinicServer = ("FhirServer:BaseUrl", "http://127.0.0.1:1/");

    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task The_first_start_adopts_what_it_finds_and_another_policy_waits_until_it_is_adopted()
    {
        using TemporaryFolder folder = new();
        await (await StartAsync(folder, "Europe/London")).DisposeAsync();
        await (await StartAsync(folder, "Europe/London")).DisposeAsync();

        InvalidOperationException refused = await Assert.ThrowsAsync<InvalidOperationException>(() => StartAsync(folder, "Europe/Berlin"));
        Assert.Contains("titration protocol adopt", refused.Message, StringComparison.Ordinal);

        CommandOutput adopted = await RunAsync(folder, "Europe/Berlin", "protocol", "adopt");
        Assert.True(adopted.ExitCode == 0, adopted.Errors);
        await (await StartAsync(folder, "Europe/Berlin")).DisposeAsync();
        await Assert.ThrowsAsync<InvalidOperationException>(() => StartAsync(folder, "Europe/London"));
        CommandOutput listed = await RunAsync(folder, "Europe/Berlin", "protocol", "adopted", "--json");
        Assert.Equal(2, JsonNode.Parse(listed.Output)!.AsArray().Count);
    }

    [Fact]
    public async Task A_running_worker_stops_deciding_when_another_policy_comes_into_force_and_leaves_messages_where_they_are()
    {
        using TemporaryFolder folder = new();
        await using EmbeddedWorker worker = await StartAsync(folder, "Europe/London");
        await RunAsync(folder, "Europe/Berlin", "protocol", "adopt");

        await Eventually.HoldsAsync(
            "a worker that is not ready", async () => (await worker.Http.GetAsync(new Uri("health/ready", UriKind.Relative), Cancelled)).StatusCode == HttpStatusCode.ServiceUnavailable, Cancelled);

        Exception trouble = await Assert.ThrowsAsync<PolicyNotInForceException>(
            () => worker.Services.GetRequiredService<IntakeHandler>().HandleAsync(_days.Order("p1").ToUtf8(), "queue", null, null, Cancelled));
        Assert.True(Infrastructure.IsTrouble(trouble));
        Assert.Equal(0, await worker.Services.GetRequiredService<DueSweep>().RunAsync(Cancelled));
    }

    [Fact]
    public async Task An_adoption_for_later_changes_nothing_yet_and_one_for_the_past_is_refused()
    {
        using TemporaryFolder folder = new();
        await (await StartAsync(folder, "Europe/London")).DisposeAsync();

        CommandOutput later = await RunAsync(folder, "Europe/Berlin", "protocol", "adopt", "--effective", "2999-01-01T08:00:00+01:00");
        CommandOutput past = await RunAsync(folder, "Europe/Berlin", "protocol", "adopt", "--effective", "2020-01-01T08:00:00+01:00");
        CommandOutput nonsense = await RunAsync(folder, "Europe/Berlin", "protocol", "adopt", "--effective", "soon");

        Assert.Equal((0, 2, 2), (later.ExitCode, past.ExitCode, nonsense.ExitCode));
        await (await StartAsync(folder, "Europe/London")).DisposeAsync();
    }

    private static Task<EmbeddedWorker> StartAsync(TemporaryFolder folder, string zone) =>
        EmbeddedWorker.StartAsync(TimeProvider.System, Cancelled, folder.Path, settings: [ClinicServer, ("Clinic:TimeZone", zone)]);

    private static Task<CommandOutput> RunAsync(TemporaryFolder folder, string zone, params string[] arguments) => TitrationProcess.RunAsync(
        folder.Path, null, new Dictionary<string, string>(StringComparer.Ordinal) { ["Titration__DataFolder"] = folder.Path, ["Titration__Clinic__TimeZone"] = zone }, arguments, Cancelled);
}
