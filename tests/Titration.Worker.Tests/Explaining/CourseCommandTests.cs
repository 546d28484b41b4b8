using System.Globalization;
using System.Text.Json.Nodes;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests.Explaining;

/// <summary><c>titration course</c> beside a running service.</summary>
public sealed class CourseCommandTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task The_list_says_where_each_course_stands_and_what_is_open()
    {
        await using EmbeddedWorker worker = await StartAsync(15, "p1", "p2");
        await worker.TakeInAsync(Cancelled, _days.Swelling("p2", 14));

        JsonArray all = await JsonAsync(worker, "course", "list", "--json");
        JsonArray stopped = await JsonAsync(worker, "course", "list", "--outcome", "Discontinue", "--json");
        CommandOutput table = await worker.RunAsync(Cancelled, "course", "list", "--open");

        Assert.Equal(["Patient/p1 StepUp step-change", "Patient/p2 Discontinue safety-referral,care-advice"], all.Select(Short).Order(StringComparer.Ordinal));
        Assert.Equal("Patient/p2", Assert.Single(stopped)!["patient"]!.GetValue<string>());
        Assert.Equal("0.025 % alternate nights, 0.25 g", all[0]!["step"]!.GetValue<string>());
        Assert.Contains("2 course(s)", table.Output, StringComparison.Ordinal);
        Assert.Equal(0, table.ExitCode);
    }

    [Fact]
    public async Task A_course_is_found_by_its_id_by_how_that_begins_by_its_patient_and_by_a_decision()
    {
        await using EmbeddedWorker worker = await StartAsync(15, "p1");
        string course = (await JsonAsync(worker, "course", "list", "--json"))[0]!["course"]!.GetValue<string>();

        JsonNode whole = Assert.Single(await JsonAsync(worker, "course", "show", "p1", "--json"))!;
        JsonNode stepUp = whole["decisions"]!.AsArray().Single(d => d!["outcome"]!.GetValue<string>() == "StepUp")!;
        JsonNode one = Assert.Single(await JsonAsync(worker, "course", "show", stepUp["id"]!.GetValue<string>(), "--json"))!;

        foreach (string name in new[] { course, course[..8], "Patient/p1" })
        {
            Assert.Equal(whole.ToJsonString(), Assert.Single(await JsonAsync(worker, "course", "show", name, "--json"))!.ToJsonString());
        }

        Assert.Equal(stepUp.ToJsonString(), Assert.Single(one["decisions"]!.AsArray())!.ToJsonString());
        CommandOutput unknown = await worker.RunAsync(Cancelled, "course", "show", "nobody");
        Assert.Equal((1, ""), (unknown.ExitCode, unknown.Output));
        Assert.Contains("nobody", unknown.Errors, StringComparison.Ordinal);
    }

    [Fact]
    public async Task A_decision_is_shown_with_its_rules_their_numbers_the_facts_and_what_would_have_changed_it()
    {
        await using EmbeddedWorker worker = await StartAsync(15, "p1");

        JsonNode course = Assert.Single(await JsonAsync(worker, "course", "show", "p1", "--date", Date(15), "--json"))!;
        CommandOutput text = await worker.RunAsync(Cancelled, "course", "show", "p1");

        JsonNode decision = course["decisions"]!.AsArray().Single(d => d!["outcome"]!.GetValue<string>() == "StepUp")!;
        Assert.Equal("0.025 % nightly, 0.25 g", decision["proposed"]!.GetValue<string>());
        JsonNode exposure = decision["reasons"]!.AsArray().Single(r => r!["rule"]!.GetValue<string>() == "exposure")!;
        Assert.Contains("7 applied of", exposure["text"]!.GetValue<string>(), StringComparison.Ordinal);
        Assert.Contains("Observation/check-p1-14/_history/1", exposure["evidence"]!.AsArray().Select(e => e!.GetValue<string>()));
        Assert.Contains(decision["otherwise"]!.AsArray(), o => o!["text"]!.GetValue<string>() == "without Observation/check-p1-14/_history/1: AwaitCheckIn (silence)");
        Assert.Contains("check-in    erythema", text.Output, StringComparison.Ordinal);
        Assert.Contains("StepUp to 0.025 % nightly, 0.25 g", text.Output, StringComparison.Ordinal);
        Assert.Contains("waits to be sent", text.Output, StringComparison.Ordinal);
        Assert.DoesNotContain('\u001b', text.Output);
    }

    [Fact]
    public async Task What_became_of_a_message_is_told_from_sending_it_to_its_withdrawal()
    {
        await using EmbeddedWorker worker = await StartAsync(15, "p1");
        await worker.DeliverAsync(Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Swelling("p1", 14));
        await worker.DeliverAsync(Cancelled);

        JsonNode course = Assert.Single(await JsonAsync(worker, "course", "show", "p1", "--json"))!;

        JsonNode proposal = course["communications"]!.AsArray().Single(c => c!["kind"]!.GetValue<string>() == "step-change")!;
        Assert.Equal(["sent", "withdrawn"], proposal["fate"]!.AsArray().Select(f => f!["what"]!.GetValue<string>()));
        Assert.False(proposal["open"]!.GetValue<bool>());
        Assert.Contains(proposal["resources"]!.AsArray(), r => r!.GetValue<string>().StartsWith("CommunicationRequest/", StringComparison.Ordinal));
    }

    [Fact]
    public async Task Of_a_decision_by_another_policy_it_is_not_said_what_would_have_changed_it()
    {
        await using EmbeddedWorker worker = await StartAsync(15, "p1");

        CommandOutput elsewhere = await worker.RunAsync([("Titration__Clinic__TimeZone", "Pacific/Auckland")], ["course", "show", "p1", "--json"], Cancelled);
        CommandOutput text = await worker.RunAsync([("Titration__Clinic__TimeZone", "Pacific/Auckland")], ["course", "show", "p1"], Cancelled);

        Assert.All(JsonNode.Parse(elsewhere.Output)![0]!["decisions"]!.AsArray(), d => Assert.Null(d!["otherwise"]));
        Assert.Contains("made by another policy", text.Output, StringComparison.Ordinal);
    }

    [Fact]
    public async Task An_outcome_that_there_is_not_is_a_usage_error()
    {
        using TemporaryFolder folder = new();
        CommandOutput wrong = await TitrationProcess.RunAsync(folder.Path, null, new Dictionary<string, string>(StringComparer.Ordinal), ["course", "list", "--outcome", "Wait"], Cancelled);

        Assert.Equal(2, wrong.ExitCode);
        Assert.Contains("--outcome takes Discontinue", wrong.Errors, StringComparison.Ordinal);
    }

    /// <summary>A service that has looked at these patients on a day, each with an order and two good check-ins.</summary>
    private async Task<EmbeddedWorker> StartAsync(int day, params string[] patients)
    {
        EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(day, 8)), Cancelled);
        foreach (string patient in patients)
        {
            await worker.PutAsync(FhirJson.Patient(patient), Cancelled);
            await worker.TakeInAsync(Cancelled, _days.Order(patient), _days.CheckIn(patient, 6, 3), _days.CheckIn(patient, 14, 4));
        }

        return worker;
    }

    private string Date(int day) => _days.At(day).ToString("yyyy-MM-dd", CultureInfo.InvariantCulture);

    private static async Task<JsonArray> JsonAsync(EmbeddedWorker worker, params string[] arguments)
    {
        CommandOutput output = await worker.RunAsync(Cancelled, arguments);
        return output.ExitCode == 0 ? JsonNode.Parse(output.Output)!.AsArray() : throw new InvalidOperationException(output.Errors);
    }

    private static string Short(JsonNode? course) =>
        $"{course!["patient"]} {course["outcome"]} {string.Join(',', course["open"]!.AsArray().Select(o => o!.GetValue<string>()))}";
}
