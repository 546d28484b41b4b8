using System.Collections.Immutable;
using Hl7.Fhir.Model;
using Titration.Fhir.Writing;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Xunit;
using FhirTask = Hl7.Fhir.Model.Task;

namespace Titration.Fhir.Tests.Writing;

public sealed class CommunicationWriterTests
{
    [Fact]
    public void Each_resource_comes_after_those_it_refers_to()
    {
        foreach (string name in Scenario.All.Keys)
        {
            HashSet<string> sent = new(StringComparer.Ordinal);
            foreach (OutgoingResource resource in Scenario.Write(name))
            {
                Assert.Subset(sent, OutgoingReferences.PlaceholdersIn(resource.Resource).ToHashSet(StringComparer.Ordinal));
                sent.Add(resource.Placeholder);
            }
        }
    }

    [Theory]
    [InlineData("step-up", "CommunicationRequest Task Provenance")]
    [InlineData("check-in-first", "CommunicationRequest Provenance")]
    [InlineData("stop-emergency", "CommunicationRequest Provenance")]
    [InlineData("referral", "DetectedIssue CommunicationRequest Task Flag Provenance")]
    [InlineData("withhold-referral", "DetectedIssue CommunicationRequest Task Provenance")]
    public void A_communication_is_these_resources(string name, string types)
    {
        Assert.Equal(types, string.Join(' ', Scenario.Write(name).Select(r => r.Resource.TypeName)));
    }

    [Fact]
    public void Identifiers_are_derived_from_key_and_role_and_safe_in_a_search()
    {
        OutgoingCommunication communication = Scenario.All["referral"];
        foreach (OutgoingResource resource in Scenario.Write(communication))
        {
            Assert.Equal(OutgoingResource.UuidOf(communication.Key, resource.Role), resource.Uuid);
            bool put = resource.Role == OutgoingRole.Provenance;
            Assert.Equal(put ? resource.Uuid.ToString() : null, resource.PutId);
            Assert.Equal(put, resource.IfNoneExist is null);
        }

        OutgoingResource request = Scenario.Write(communication)[1];
        Assert.Equal($"identifier=https%3A%2F%2Ftitration.example.org%2Ffhir%2FNamingSystem%2Fcommunication-request%7C{request.Uuid}", request.IfNoneExist);
    }

    [Fact]
    public void References_are_resolved_in_a_copy_and_only_completely()
    {
        OutgoingResource task = Scenario.Write("referral")[2];
        ImmutableArray<string> placeholders = OutgoingReferences.PlaceholdersIn(task.Resource);
        Dictionary<string, string> map = placeholders.ToDictionary(p => p, _ => "Basic/1", StringComparer.Ordinal);
        Assert.Equal(2, placeholders.Length);
        Assert.Empty(OutgoingReferences.PlaceholdersIn(OutgoingReferences.Resolve(task.Resource, map)));
        Assert.Equal(2, OutgoingReferences.PlaceholdersIn(task.Resource).Length);
        map.Remove(placeholders[0]);
        Assert.Throws<ArgumentException>(() => OutgoingReferences.Resolve(task.Resource, map));
    }

    [Theory]
    [InlineData("step-up", "approve", FhirTask.TaskIntent.Proposal)]
    [InlineData("referral", "urgent-review", FhirTask.TaskIntent.Order)]
    [InlineData("review", "clinical-review", FhirTask.TaskIntent.Order)]
    [InlineData("effect-review", "clinical-review", FhirTask.TaskIntent.Order)]
    [InlineData("clinic-task-silent", "fulfill", FhirTask.TaskIntent.Order)]
    [InlineData("repeat-reminder", "fulfill", FhirTask.TaskIntent.Order)]
    public void A_task_says_what_to_do_by_code_and_intent(string name, string code, FhirTask.TaskIntent intent)
    {
        FhirTask task = Scenario.The<FhirTask>(Scenario.Write(name));
        Assert.Equal((code, intent), (task.Code!.Coding[0].Code, task.Intent));
    }

    [Theory]
    [InlineData("PractitionerRole/role-1", "PractitionerRole/role-1")]
    [InlineData("https://clinic.example.org/fhir/Practitioner/pr-1/_history/2", "https://clinic.example.org/fhir/Practitioner/pr-1/_history/2")]
    [InlineData("Patient/px-1", "CareTeam/pool-harbour")]
    [InlineData("#contained", "CareTeam/pool-harbour")]
    [InlineData(null, "CareTeam/pool-harbour")]
    public void A_task_belongs_to_a_prescriber_who_can_own_one_else_to_the_pool(string? prescriber, string owner)
    {
        FhirTask task = Scenario.The<FhirTask>(Scenario.Write(Scenario.All["step-up"] with { Prescriber = prescriber }));
        Assert.Equal(owner, task.Owner!.Reference);
        Assert.Equal(owner.StartsWith("CareTeam", StringComparison.Ordinal) ? 0 : 1, task.Restriction!.Recipient.Count);
        Assert.Equal([], R4.ErrorsOf(task));
    }

    [Theory]
    [InlineData(1, 1, 1, 1)]
    [InlineData(1, 2, 1, 2)]
    [InlineData(3.5, 7, 1, 2)]
    [InlineData(1, 3, 1, 3)]
    [InlineData(3, 7, 3, 7)]
    [InlineData(2.5, 7, 5, 14)]
    public void A_rate_is_told_in_whole_applications(double applications, double days, int frequency, double period)
    {
        Step proposed = Scenario.Nightly with { Frequency = new Frequency((decimal)applications, (decimal)days) };
        Timing.RepeatComponent repeat = Input<Dosage>(Scenario.Proposal("step-up", proposed), "proposed-dosage").Timing!.Repeat!;
        Assert.Equal((frequency, (decimal)period, Timing.UnitsOfTime.D), (repeat.Frequency, repeat.Period, repeat.PeriodUnit));
    }

    [Fact]
    public void The_order_s_own_dosage_is_shown_as_it_stands_and_lends_its_site_to_the_proposal()
    {
        Dosage order = new() { Text = "As the prescriber wrote it", Site = new CodeableConcept { Text = "chin" } };
        OutgoingCommunication communication = Scenario.All["step-up"] with { OrderDosage = order };
        Assert.Equal("As the prescriber wrote it", Input<Dosage>(communication, "current-dosage").Text);
        Assert.Equal("chin", Input<Dosage>(communication, "proposed-dosage").Site!.Text);
    }

    [Fact]
    public void A_change_of_barrier_support_is_said_to_people_and_as_data()
    {
        OutgoingCommunication begins = Scenario.Proposal("step-down", Scenario.AlternateNights with { Barrier = true });
        Assert.True(Input<FhirBoolean>(begins, "barrier-support").Value);
        Assert.Contains("Put on moisturiser first and wait", Input<Dosage>(begins, "proposed-dosage").PatientInstruction, StringComparison.Ordinal);

        OutgoingCommunication ends = Scenario.Proposal("step-up", Scenario.Nightly) with { CurrentStep = Scenario.AlternateNights with { Barrier = true } };
        Assert.False(Input<FhirBoolean>(ends, "barrier-support").Value);
        Assert.StartsWith("You no longer need moisturiser before", Input<Dosage>(ends, "proposed-dosage").PatientInstruction, StringComparison.Ordinal);
    }

    [Fact]
    public void Another_strength_is_an_input_of_its_own_since_a_dosage_cannot_say_it()
    {
        Quantity strength = Input<Quantity>(Scenario.All["step-up-strength"], "proposed-strength");
        Assert.Equal((0.05m, "%"), (strength.Value, strength.Code));
        Assert.DoesNotContain(Task(Scenario.All["step-up"]).Input, i => i.Type!.Coding[0].Code == "proposed-strength");
    }

    [Fact]
    public void A_draft_is_for_nobody_and_a_message_in_force_carries_no_such_note()
    {
        Assert.Equal(RequestStatus.Draft, Request("step-up").Status);
        Assert.Equal(OutgoingCodes.ProposalNote, Request("step-up").Note.Single().Text);
        Assert.Equal(RequestStatus.Active, Request("stop-emergency").Status);
        Assert.Empty(Request("stop-emergency").Note);
    }

    [Fact]
    public void A_request_whose_due_time_has_passed_has_no_period_that_ends_before_it_begins()
    {
        CommunicationRequest late = Scenario.The<CommunicationRequest>(Scenario.Write(Scenario.Due(Scenario.All["check-in-first"], days: -1)));
        Assert.Null(late.Occurrence);
        Assert.Equal([], R4.ErrorsOf(late));
    }

    [Fact]
    public void Markup_and_control_characters_of_a_value_break_nothing()
    {
        OutgoingCommunication nasty = Scenario.Named(Scenario.All["review"], "reason", "a < b & \"c\" \u0001 <script>");
        foreach (DomainResource resource in Examples.AsStored(Scenario.Write(nasty)))
        {
            Assert.Equal([], R4.ErrorsOf(resource));
        }
    }

    [Fact]
    public void A_source_without_a_version_is_cited_by_its_content()
    {
        ResourceVersion unversioned = Scenario.CheckIn with { VersionId = null };
        OutgoingCommunication communication = Scenario.All["review"];
        communication = communication with { Intent = communication.Intent with { Evidence = [unversioned] } };
        ResourceReference reason = Scenario.The<CommunicationRequest>(Scenario.Write(communication)).ReasonReference.Single();
        Assert.Equal(("Observation/obs-2", "content sha256:" + unversioned.ContentHash), (reason.Reference, reason.Display));
    }

    [Fact]
    public void The_pool_is_the_clinic_where_no_other_is_set()
    {
        Assert.Equal("Organization/org-harbour", new ClinicIdentity
        {
            Organization = "Organization/org-harbour",
            Name = "Harbour Skin Clinic",
            DeviceId = "d",
            Deployment = "x",
            Zone = TimeZoneInfo.Utc,
        }.Pool);
    }

    [Fact]
    public void The_reason_of_a_step_change_is_every_rule_that_spoke_for_it()
    {
        CommunicationIntent intent = Scenario.All["step-up"].Intent;
        Evaluation evaluation = new()
        {
            Course = Scenario.All["step-up"].Course,
            Patient = "px-1",
            AsOf = Scenario.AsOf,
            Outcome = Outcome.StepUp,
            Step = new StepInForce(Scenario.AlternateNights, new DateOnly(2026, 3, 2)),
            Reasons =
            [
                new RuleResult("order", Outcome.StepUp, "one dimension", []),
                new RuleResult("time-on-step", Outcome.StepUp, "15 days", []),
                new RuleResult("supply", Outcome.Maintain, "enough", []),
            ],
            Communications = [intent],
            NextLook = null,
        };
        OutgoingCommunication communication = OutgoingCommunication.Of(
            evaluation, intent, Scenario.All["step-up"].Key, Scenario.All["step-up"].DecisionId, Scenario.Protocol, "aa", "bb");
        Assert.Equal("one dimension; 15 days", communication.Reason);
        Assert.EndsWith("Why: one dimension; 15 days.", Task(communication).Description, StringComparison.Ordinal);
    }

    [Fact]
    public void No_resource_contains_a_patient_s_name()
    {
        // A name could only come as a reference's display: a patient is named by reference alone, and no other person by more.
        foreach (DomainResource resource in Scenario.All.Keys.SelectMany(name => Scenario.Write(name)).Select(r => r.Resource))
        {
            string json = R4.Serialize(resource);
            string[] lines = json.Split('\n');
            int[] people = [.. Enumerable.Range(0, lines.Length).Where(i => lines[i].Contains("\"reference\": \"P", StringComparison.Ordinal))];
            Assert.All(people, i => Assert.DoesNotContain("display", lines[i + 1], StringComparison.Ordinal));
            Assert.DoesNotContain("HumanName", json, StringComparison.Ordinal);
        }
    }

    [Fact]
    public void Every_code_of_ours_that_is_sent_is_defined()
    {
        Dictionary<string, HashSet<string>> defined = Defined();
        foreach (Resource resource in Examples.Written().Values)
        {
            Assert.All(Codings(resource), c => Assert.Contains(c.Code!, defined[c.System!]));
        }

        Assert.Subset(defined[OutgoingCodes.SafetySystem], WordingTexts.FindingCodes.ToHashSet(StringComparer.Ordinal));
        Assert.Subset(defined[OutgoingCodes.StatusReasonSystem], Enum.GetValues<WithdrawalReason>().Select(r => r.Code()).ToHashSet(StringComparer.Ordinal));
    }

    [Fact]
    public void Every_rule_and_every_code_of_a_check_in_is_defined()
    {
        Dictionary<string, HashSet<string>> defined = Defined();
        HashSet<string> rules = typeof(RuleIds).GetFields().Select(f => (string)f.GetRawConstantValue()!).ToHashSet(StringComparer.Ordinal);
        Assert.Equal(rules.Order(StringComparer.Ordinal), defined[OutgoingCodes.RuleSystem].Order(StringComparer.Ordinal), StringComparer.Ordinal);
        HashSet<string> codes =
        [
            .. Enum.GetValues<Sign>().Select(s => s.Code()), .. Enum.GetValues<Grade>().Select(g => g.Code()),
            .. Enum.GetValues<FindingKind>().Select(f => f.Code()), .. Enum.GetValues<Effect>().Select(e => e.Code()),
        ];
        Assert.Subset(defined[Codes.Systems.Tolerability], codes);
    }

    private static Dictionary<string, HashSet<string>> Defined() => R4.Contracts().Select(c => c.Resource).OfType<CodeSystem>().ToDictionary(
        s => s.Url!, s => s.Concept.Select(c => c.Code!).ToHashSet(StringComparer.Ordinal), StringComparer.Ordinal);

    private static IEnumerable<Coding> Codings(Base element) => element.EnumerateElements().SelectMany(e => e.Value switch
    {
        Coding coding when coding.System?.StartsWith("https://titration.example.org", StringComparison.Ordinal) == true => [coding],
        Base one => Codings(one),
        IEnumerable<Coding> codings => codings.Where(c => c.System?.StartsWith("https://titration.example.org", StringComparison.Ordinal) == true),
        IEnumerable<Base> many => many.SelectMany(Codings),
        _ => [],
    });

    private static CommunicationRequest Request(string name) => Scenario.The<CommunicationRequest>(Scenario.Write(name));

    private static FhirTask Task(OutgoingCommunication communication) => Scenario.The<FhirTask>(Scenario.Write(communication));

    private static T Input<T>(OutgoingCommunication communication, string code) =>
        Task(communication).Input.Where(i => i.Type!.Coding[0].Code == code).Select(i => i.Value).OfType<T>().Single();
}
