using System.Net;
using Hl7.Fhir.Model;
using Hl7.Fhir.Rest;
using Xunit;

namespace Titration.Sandbox.Tests;

/// <summary>A client we did not write, with its own habits of headers and parameters.</summary>
public sealed class SdkClientTests
{
    [Fact]
    public async System.Threading.Tasks.Task The_client_of_the_FHIR_SDK_can_use_every_interaction()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        CancellationToken cancel = TestContext.Current.CancellationToken;
        using FhirClient client = new(sandbox.BaseUrl, sandbox.Client, new FhirClientSettings { PreferredFormat = ResourceFormat.Json, VerifyFhirVersion = true });
        SearchParams byIdentifier = new SearchParams().Where($"identifier={Resources.IdSystem}|a");
        Patient patient = new() { Identifier = [new Identifier(Resources.IdSystem, "a")], Active = true };

        Patient created = (await client.ConditionalCreateAsync(patient, byIdentifier, cancel))!;
        Patient again = (await client.ConditionalCreateAsync(patient, byIdentifier, cancel))!;
        created.Active = false;
        Patient updated = (await client.UpdateAsync(created, versionAware: true, ct: cancel))!;
        Patient old = (await client.ReadAsync<Patient>($"Patient/{created.Id}/_history/1", ct: cancel))!;
        Bundle found = (await client.SearchAsync(byIdentifier, "Patient", cancel))!;
        Bundle history = (await client.HistoryAsync($"Patient/{created.Id}", ct: cancel))!;
        TransactionBuilder builder = new(sandbox.BaseUrl, Bundle.BundleType.Transaction);
        Bundle answered = (await client.TransactionAsync(builder.Create(patient).Read("Patient", created.Id!).ToBundle(), cancel))!;
        FhirOperationException stale = await Assert.ThrowsAsync<FhirOperationException>(() => client.UpdateAsync(created, versionAware: true, ct: cancel));

        Assert.Equal(created.Id, again.Id);
        Assert.Equal("2", updated.VersionId);
        Assert.True(old.Active);
        Assert.Equal(created.Id, Assert.Single(found.Entry).Resource!.Id);
        Assert.Equal(2, history.Entry.Count);
        Assert.Equal(["201 Created", "200 OK"], answered.Entry.Select(e => e.Response!.Status));
        Assert.Equal(HttpStatusCode.PreconditionFailed, stale.Status);
        Assert.Equal(OperationOutcome.IssueType.Conflict, stale.Outcome!.Issue.Single().Code);
    }
}
