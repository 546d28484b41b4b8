using Hl7.Fhir.Model;
using Titration.Fhir.Publishing;
using Titration.Fhir.Tests.Reading;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Xunit;
using FhirTask = Hl7.Fhir.Model.Task;

namespace Titration.Fhir.Tests.Writing;

public sealed class PublicationTests
{
    private static readonly ProtocolDefinition Protocol = Readers.Protocol;

    private static readonly ProtocolPublication Published = ProtocolPublication.Of(Protocol);

    [Fact]
    public void Everything_published_is_valid_R4()
    {
        Assert.All(Published.Resources, resource => Assert.Equal([], R4.ErrorsOf(resource)));
        Assert.Equal([], R4.ErrorsOf(Published.Transaction()));
    }

    [Fact]
    public void An_action_with_an_unknown_trigger_type_is_refused()
    {
        // The validation above is worth something only if it can fail.
        PlanDefinition plan = Published.Plan.DeepCopy();
        plan.Action.SelectMany(a => a.Trigger).First().TypeElement!.JsonValue = "whenever";
        Assert.NotEqual([], R4.ErrorsOf(plan));
    }

    [Theory]
    [MemberData(nameof(Scenario.Names), MemberType = typeof(Scenario))]
    public void Every_Task_refers_to_an_activity_that_is_published_with_its_protocol(string scenario)
    {
        ProtocolPublication published = ProtocolPublication.Of(Protocol with { Name = Scenario.Protocol.Name, Version = Scenario.Protocol.Version });
        string[] addresses = [.. published.Activities.Select(a => $"{a.Url}|{a.Version}")];
        Assert.All(Scenario.Write(scenario).Select(r => r.Resource).OfType<FhirTask>(), task => Assert.Contains(task.InstantiatesCanonical, addresses, StringComparer.Ordinal));
    }

    [Fact]
    public void The_plan_stands_where_what_is_written_says_it_does()
    {
        Assert.Equal($"https://titration.example.org/fhir/PlanDefinition/{Protocol.Name}", Published.Plan.Url);
        Assert.Equal(Protocol.Version, Published.Plan.Version);
    }

    [Fact]
    public void The_plan_refers_to_every_activity_and_to_no_other()
    {
        string[] cited = [.. Published.Plan.Action.Select(a => a.Definition).OfType<Canonical>().Select(c => c.Value!).Distinct(StringComparer.Ordinal).Order(StringComparer.Ordinal)];
        Assert.Equal([.. Published.Activities.Select(a => $"{a.Url}|{a.Version}").Order(StringComparer.Ordinal)], cited);
    }

    [Fact]
    public void Both_ladders_are_in_the_plan_step_by_step_with_their_weekly_grams()
    {
        Assert.Collection(
            Published.Plan.Action.Single(a => a.ElementId == "standard-ladder").Action,
            step => Assert.Equal("1 in 2 days, 0.25 g per application, 0.875 g a week", step.Description),
            step => Assert.Equal("every night, 0.25 g per application, 1.75 g a week", step.Description),
            step => Assert.Equal("every night, 0.5 g per application, 3.5 g a week", step.Description));
        Assert.Equal(
            "1 in 3 days, 0.25 g per application, 0.583 g a week, with barrier support",
            Published.Plan.Action.Single(a => a.ElementId == "cautious-ladder").Action[0].Description);
    }

    [Fact]
    public void Every_finding_is_in_the_plan_with_its_priority_and_source()
    {
        foreach (FindingRule rule in Protocol.Findings)
        {
            PlanDefinition.ActionComponent action = Published.Plan.Action.Single(a => a.ElementId == $"finding-{rule.Finding.Code()}");
            Assert.Equal(rule.Priority.Code(), action.Priority!.Value.ToString(), ignoreCase: true);
            Assert.Equal(rule.Source, Assert.Single(action.Documentation).Citation);
        }
    }

    [Fact]
    public void A_number_of_the_protocol_changes_what_is_published()
    {
        ProtocolPublication changed = ProtocolPublication.Of(Protocol with { CheckIns = Protocol.CheckIns with { EveryDays = 5 } });
        Assert.Equal(5, changed.Plan.Action.Single(a => a.ElementId == "check-in").Trigger.Select(t => (Timing)t.Timing!).Single().Repeat!.Period);
    }

    [Fact]
    public void A_transaction_puts_each_resource_under_its_own_id()
    {
        Assert.All(Published.Transaction().Entry, entry =>
        {
            Assert.Equal(Bundle.HTTPVerb.PUT, entry.Request!.Method);
            Assert.Equal($"{entry.Resource!.TypeName}/{entry.Resource.Id}", entry.Request.Url);
        });
    }
}
