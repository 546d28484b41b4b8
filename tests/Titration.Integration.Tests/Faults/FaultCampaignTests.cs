using System.Globalization;
using Xunit;

namespace Titration.Integration.Tests.Faults;

/// <summary>
/// Random faults hit two workers while a clinic's messages arrive and time passes: what stands on the FHIR server in the end is what stands there without any
/// fault. <c>TITRATION_FAULTS</c> says how many (300), <c>TITRATION_FAULT_SEED</c> which: the same seed draws the same faults, and what they meet is up to the
/// machine.
/// </summary>
public sealed class FaultCampaignTests(ITestOutputHelper output)
{
    private const int PerPhase = 16;

    /// <summary>What so many months leave behind without faults: always the same, so that one run of them is enough.</summary>
    private static readonly Dictionary<int, CampaignResult> Faultless = [];

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task With_random_faults_nothing_is_lost_nothing_is_said_twice_and_the_order_is_kept()
    {
        int count = Number("TITRATION_FAULTS", 300);
        int seed = Number("TITRATION_FAULT_SEED", Random.Shared.Next(1, 1_000_000));
        await CompareAsync(FaultPlan.Draw(count, seed), seed);
    }

    /// <summary>What PostgreSQL has confirmed is on its disk (fsync): killed with all its sessions, it has it still.</summary>
    [Fact]
    public async Task With_the_databases_process_killed_again_and_again_nothing_is_lost_nothing_is_said_twice_and_the_order_is_kept()
    {
        int seed = Number("TITRATION_FAULT_SEED", Random.Shared.Next(1, 1_000_000));
        await CompareAsync(FaultPlan.DrawForTheDatabase(Math.Max(10, Number("TITRATION_FAULTS", 300) / 10), seed), seed);
    }

    private async Task CompareAsync(IReadOnlyList<InjectedFault> plan, int seed)
    {
        string replay = $"{plan.Count} faults, seed {seed}; again: TITRATION_FAULTS={plan.Count} TITRATION_FAULT_SEED={seed}";
        Say(replay);
        TimeSpan began = Now;
        CampaignResult with;
        IReadOnlySet<string> refused;
        int months;
        await using (FaultCampaign faulty = await FaultCampaign.StartAsync(Cancelled))
        {
            try
            {
                await faulty.PlayAsync(1, plan, PerPhase, Cancelled);
                with = await faulty.ResultAsync(Cancelled);
                IReadOnlyList<string> left = await faulty.LeftBehindAsync(Cancelled);
                Assert.True(left.Count == 0, string.Join('\n', left));
            }
            catch (Exception problem)
            {
                throw new InvalidOperationException($"{replay}\n{problem.Message}\n{faulty.WorkersSaid}", problem);
            }

            (refused, months) = (faulty.Refused, faulty.Months);
            Say($"{faulty.Injected.Values.Sum()} faults have struck in {months} simulated months and {(Now - began).TotalSeconds:0} s: {string.Join(", ", faulty.Injected.OrderBy(i => i.Key).Select(i => $"{i.Key} {i.Value}"))}");
            Assert.Equal(plan.Count, faulty.Injected.Values.Sum());
        }

        TimeSpan quiet = Now;
        if (!Faultless.TryGetValue(months, out CampaignResult? without))
        {
            await using FaultCampaign faultless = await FaultCampaign.StartAsync(Cancelled);
            await faultless.PlayAsync(months, [], PerPhase, Cancelled);
            without = await faultless.ResultAsync(Cancelled);
            Assert.Empty(await faultless.LeftBehindAsync(Cancelled));
            Faultless[months] = without;
        }

        IReadOnlyList<string> differences = with.DifferencesFrom(without, refused);
        Say($"without faults {(Now - quiet).TotalSeconds:0} s; {without.Communications.Count} communications of {without.Written.Count} patients; {differences.Count} differ");
        Assert.True(without.Communications.Count >= 60 * months, $"only {without.Communications.Count} communications: the load has lost its meaning");
        Assert.True(differences.Count == 0, $"{replay}\n{string.Join('\n', differences)}");
    }

    private static TimeSpan Now => TimeSpan.FromMilliseconds(Environment.TickCount64);

    private static int Number(string variable, int otherwise) =>
        Environment.GetEnvironmentVariable(variable) is { Length: > 0 } text ? int.Parse(text, CultureInfo.InvariantCulture) : otherwise;

    private void Say(string text)
    {
        output.WriteLine(text);
        Console.WriteLine(text);
    }
}
