using System.Text;
using Hl7.Fhir.Model;
using Titration.Fhir.Reading;
using Titration.Fhir.Tests.Reading;
using Titration.Fhir.Writing;
using Titration.Protocol.Facts;
using Xunit;
using FhirTask = Hl7.Fhir.Model.Task;

namespace Titration.Fhir.Tests.Writing;

public sealed class ValidationTests
{
    public static TheoryData<string> ContractFiles => [.. R4.Contracts().Select(c => c.File)];

    public static TheoryData<string> InputExamples => [.. Examples.Inputs];

    [Theory]
    [MemberData(nameof(Scenario.Names), MemberType = typeof(Scenario))]
    public void Everything_written_is_valid_by_R4_and_by_our_profiles(string scenario)
    {
        IReadOnlyList<OutgoingResource> resources = Scenario.Write(scenario);
        Assert.All(Examples.AsStored(resources), resource => Assert.Equal([], R4.ErrorsOf(resource)));

        // And before the server has given ids.
        Assert.All(resources, resource => Assert.Equal([], R4.ErrorsOf(resource.Resource)));
    }

    [Fact]
    public void The_device_and_the_digest_are_valid()
    {
        Assert.Equal([], R4.ErrorsOf(DeviceWriter.Write(Scenario.Clinic, Scenario.Protocol, "1.0.0").Resource));
        Assert.Equal([], R4.ErrorsOf(Scenario.Digest().Resource));
    }

    [Theory]
    [MemberData(nameof(ContractFiles))]
    public void The_definitions_are_valid_themselves(string file)
    {
        Resource definition = R4.Contracts().Single(c => c.File == file).Resource;
        Assert.Equal([], R4.ErrorsOf(definition));
        Assert.Equal($"{definition.TypeName}-{definition.Id}.json", file);
    }

    [Theory]
    [MemberData(nameof(InputExamples))]
    public void The_examples_of_what_is_read_are_valid_by_our_profiles(string file)
    {
        Assert.Equal([], R4.ErrorsOf(R4.Parse(File.ReadAllText(Path.Combine(Examples.Folder, file)))));
    }

    [Fact]
    public void A_grade_of_4_in_a_check_in_is_refused()
    {
        Observation checkIn = (Observation)R4.Parse(File.ReadAllText(Path.Combine(Examples.Folder, "Observation-check-in.json")));
        checkIn.Component[0].Value = new Integer(4);
        Assert.NotEmpty(R4.ErrorsOf(checkIn));
    }

    [Theory]
    [InlineData("approved", TaskAnswer.Approved)]
    [InlineData("declined", TaskAnswer.Declined)]
    [InlineData("rejected", TaskAnswer.Declined)]
    public void An_example_of_an_answer_is_valid_and_read_as_what_it_says(string name, TaskAnswer answer)
    {
        FhirTask task = Examples.Answers().Single(a => a.Name == name).Task;
        Assert.Equal([], R4.ErrorsOf(task));
        ResourceReading.Own own = Assert.IsType<ResourceReading.Own>(Assert.Single(Readers.Reader.Read(Encoding.UTF8.GetBytes(R4.Serialize(task)))));
        Assert.Equal(answer, own.Answer!.Answer);
    }

    [Theory]
    [MemberData(nameof(InputExamples))]
    public void The_examples_of_what_is_read_are_understood(string file)
    {
        Assert.IsType<ResourceReading.Understood>(Assert.Single(Readers.Reader.Read(File.ReadAllBytes(Path.Combine(Examples.Folder, file)))));
    }

    [Fact]
    public void A_single_grade_of_4_is_refused()
    {
        Observation single = (Observation)R4.Parse(File.ReadAllText(Path.Combine(Examples.Folder, "Observation-single.json")));
        single.Code = new CodeableConcept("https://titration.example.org/fhir/CodeSystem/tolerability", "erythema");
        single.Value = new Integer(4);
        Assert.Contains(R4.ErrorsOf(single), e => e.Contains("titration-observation-1", StringComparison.Ordinal));
    }

    [Fact]
    public void A_broken_resource_is_refused()
    {
        CommunicationRequest request = Scenario.The<CommunicationRequest>(Scenario.Write("step-up"));
        request.Status = null;
        Assert.NotEmpty(R4.ErrorsOf(request));
    }

    [Fact]
    public void A_draft_that_does_not_say_so_is_refused_by_our_profile()
    {
        CommunicationRequest request = Scenario.The<CommunicationRequest>(Scenario.Write("step-up"));
        request.Note.Clear();
        Assert.Contains(R4.ErrorsOf(request), e => e.Contains("titration-cr-1", StringComparison.Ordinal));
    }

    [Fact]
    public void A_task_without_the_digest_of_its_inputs_is_refused_by_our_profile()
    {
        FhirTask task = Scenario.The<FhirTask>(Scenario.Write("step-up"));
        task.Input.RemoveAll(i => i.Type.Coding[0].Code == "input-digest");
        Assert.NotEmpty(R4.ErrorsOf(task));
    }

    [Fact]
    public void An_input_of_the_wrong_type_is_refused_by_our_profile()
    {
        FhirTask task = Scenario.The<FhirTask>(Scenario.Write("step-down"));
        task.Input.Single(i => i.Type.Coding[0].Code == "barrier-support").Value = new FhirString("yes");
        Assert.NotEmpty(R4.ErrorsOf(task));
    }

    [Fact]
    public void A_task_modified_before_it_was_authored_is_refused()
    {
        FhirTask task = Scenario.The<FhirTask>(Scenario.Write("step-up"));
        task.LastModified = "2026-03-16T06:00:00Z";
        Assert.Contains(R4.ErrorsOf(task), e => e.Contains("inv-1", StringComparison.Ordinal));
    }

    [Fact]
    public void A_prescription_as_a_reason_is_refused()
    {
        CommunicationRequest request = Scenario.The<CommunicationRequest>(Scenario.Write("step-up"));
        request.ReasonReference.Add(new ResourceReference("MedicationRequest/rx-1/_history/3"));
        Assert.Contains(ReferenceTargets.ErrorsOf(request), e => e.StartsWith("CommunicationRequest.reasonReference: a MedicationRequest", StringComparison.Ordinal));
    }

    [Fact]
    public void A_care_team_as_a_restriction_s_recipient_is_refused_deep_inside_a_task()
    {
        FhirTask task = Scenario.The<FhirTask>(Scenario.Write("step-up"));
        task.Restriction!.Recipient = [new ResourceReference("CareTeam/pool-harbour")];
        Assert.Contains(ReferenceTargets.ErrorsOf(task), e => e.StartsWith("Task.restriction.recipient", StringComparison.Ordinal));
    }
}
