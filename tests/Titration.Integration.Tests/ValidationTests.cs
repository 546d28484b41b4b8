using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>What runs alone, after everything that may run beside others.</summary>
[CollectionDefinition(nameof(LastOfAll), DisableParallelization = true)]
public sealed class LastOfAll;

/// <summary>Everything the tests brought onto an endpoint, judged by validators that share no code with the service. Runs last.</summary>
[Collection(nameof(LastOfAll))]
public sealed class ValidationTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task Every_resource_on_the_FHIR_server_is_valid_R4()
    {
        await LeaveOneOfEachAsync();

        (int exitCode, string output) = await Node.RunAsync("validators", "validate.mjs", Cancelled, Peer.DumpFolder);

        Assert.True(exitCode == 0, output);
        string[] types = [.. Directory.GetFiles(Peer.DumpFolder, "*.json", SearchOption.AllDirectories).Select(f => Path.GetFileName(f).Split('-')[0]).Distinct(StringComparer.Ordinal)];
        Assert.Superset(new HashSet<string>(["CommunicationRequest", "Task", "DetectedIssue", "Provenance"], StringComparer.Ordinal), types.ToHashSet(StringComparer.Ordinal));
        Directory.Delete(Peer.DumpFolder, recursive: true);
    }

    /// <summary>So that it proves something when it runs alone, too.</summary>
    private async Task LeaveOneOfEachAsync()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await parts.KnowPatientsAsync(Cancelled, "steady", "swollen", "silent");
        ShiftedClock clock = new(_days.At(15));
        await using RunningWorker worker = await parts.StartAsync(clock, Cancelled);
        await parts.Broker.PublishAsync(
            Cancelled,
            _days.Order("steady"), _days.CheckIn("steady", 5, applied: 3), _days.CheckIn("steady", 13, applied: 4),
            _days.Order("swollen"), _days.Swelling("swollen", 5), _days.Order("silent"));
        await Eventually.BecomesAsync(
            "a draft, an alert and a reminder", () => parts.Peer.CommunicationsAsync(Cancelled),
            all => all.Any(c => c.Status == "draft") && all.Any(c => c.Kind == "alert") && all.Any(c => c is { Kind: "reminder", Patient: "silent" }), Cancelled);
        await Eventually.HoldsAsync("an empty outbox", () => WorkerState.IsQuietAsync(parts, clock.GetUtcNow(), Cancelled), Cancelled);
    }
}
