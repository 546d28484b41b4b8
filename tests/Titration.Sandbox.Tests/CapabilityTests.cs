using System.Net;
using System.Text.Json;
using Hl7.Fhir.Model;
using Hl7.Fhir.Serialization;
using Xunit;
using static Titration.Sandbox.Tests.Resources;

namespace Titration.Sandbox.Tests;

public sealed class CapabilityTests
{
    [Fact]
    public async System.Threading.Tasks.Task The_capability_statement_is_valid_and_says_that_it_is_a_sandbox()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply reply = await sandbox.GetAsync("metadata");
        CapabilityStatement statement = Read<CapabilityStatement>(reply);

        Assert.Equal(HttpStatusCode.OK, reply.Status);
        Assert.Equal(FHIRVersion.N4_0_1, statement.FhirVersion);
        Assert.Equal(["application/fhir+json"], statement.Format);
        Assert.Contains("not evidence of interoperability", statement.Implementation!.Description, StringComparison.Ordinal);
        Assert.Equal(["transaction", "batch"], statement.Rest.Single().Interaction.Select(i => i.CodeElement!.JsonValue));
    }

    [Fact]
    public async System.Threading.Tasks.Task Every_parameter_that_is_stated_for_a_type_can_be_searched_by()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        CapabilityStatement.RestComponent rest = Read<CapabilityStatement>(await sandbox.GetAsync("metadata")).Rest.Single();

        foreach (CapabilityStatement.ResourceComponent resource in rest.Resource)
        {
            foreach (CapabilityStatement.SearchParamComponent parameter in resource.SearchParam.Concat(rest.SearchParam))
            {
                string value = parameter.Type == SearchParamType.Date ? "2026" : "a";
                Reply reply = await sandbox.GetAsync($"{resource.Type}?{parameter.Name}={value}");
                Assert.True(reply.Status == HttpStatusCode.OK, $"{resource.Type}?{parameter.Name}: {reply.Body}");
            }
        }

        string[] ofTask = [.. rest.Resource.Single(r => r.Type == "Task").SearchParam.Select(p => p.Name!)];
        Assert.Equal(["code", "focus", "identifier", "patient", "status", "subject"], ofTask);
        Assert.DoesNotContain(rest.Resource, r => r.Type is "Bundle" or "Binary" or "Parameters" or "OperationOutcome");
    }

    [Fact]
    public async System.Threading.Tasks.Task Every_kind_of_answer_is_valid_FHIR()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        Reply created = await sandbox.PostAsync("Task", ATask("a"));

        Read<Hl7.Fhir.Model.Task>(created);
        Read<Bundle>(await sandbox.GetAsync("Task?_count=1"));
        Read<Bundle>(await sandbox.GetAsync("Task?identifier=none"));
        Read<Bundle>(await sandbox.GetAsync($"Task/{created.Id}/_history"));
        Read<Bundle>(await sandbox.PostAsync("", Bundle("transaction", Entry("POST", "Task", ATask("b")), Entry("GET", $"Task/{created.Id}"))));
        Read<Bundle>(await sandbox.PostAsync("", Bundle("batch", Entry("GET", "Task/none"), Entry("GET", "Task"))));
        Read<OperationOutcome>(await sandbox.GetAsync("Task/none"));
        Read<OperationOutcome>(await sandbox.PostAsync("Task", """{"resourceType":"Task","status":"nonsense"}"""));
    }

    private static T Read<T>(Reply reply)
        where T : Resource
    {
        FhirJsonDeserializer strict = new(new DeserializerSettings().UsingMode(DeserializationMode.Strict));
        Utf8JsonReader reader = new(System.Text.Encoding.UTF8.GetBytes(reply.Body));
        Assert.True(strict.TryDeserializeResource(ref reader, out Resource? resource, out var issues), string.Join('\n', issues.Select(i => i.Message)));
        return Assert.IsType<T>(resource);
    }
}
