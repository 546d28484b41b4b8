using System.Net;
using System.Text;
using Microsoft.Extensions.Configuration;
using Titration.Worker.Configuration;
using Titration.Worker.Delivery;
using Titration.Worker.Hosting;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>Something between us and the FHIR server answers 200 with what is not the resource that was asked for.</summary>
public sealed class FhirServerClientTests
{
    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Theory]
    [InlineData("""{ "resourceType": "OperationOutcome", "id": "7", "meta": { "versionId": "1" } }""")]
    [InlineData("""{ "resourceType": "Task", "id": "7", "meta": { "versionId": "1" } }""")]
    [InlineData("""{ "id": "7" }""")]
    [InlineData("{}")]
    [InlineData("<html>Please sign in</html>")]
    public async Task What_is_not_the_resource_is_no_answer_and_is_asked_for_again(string body) =>
        Assert.IsType<ServerAnswer.Unavailable>(await ReadAsync(body));

    [Fact]
    public async Task The_resource_itself_is_an_answer()
    {
        ServerAnswer.Held held = Assert.IsType<ServerAnswer.Held>(
            await ReadAsync("""{ "resourceType": "CommunicationRequest", "id": "7", "meta": { "versionId": "3" }, "status": "active" }"""));

        Assert.Equal(("7", "3"), (held.Id, held.VersionId));
    }

    private static async Task<ServerAnswer> ReadAsync(string body)
    {
        List<string> problems = [];
        Settings settings = Settings.From(
            new ConfigurationBuilder().AddInMemoryCollection([new("Titration:FhirServer:BaseUrl", "http://127.0.0.1/fhir")]).Build(), problems)
            ?? throw new InvalidOperationException(string.Join('\n', problems));
        using Always handler = new(body);
        using HttpClient http = new(handler);
        return await new FhirServerClient(http, new FhirServerAddress(settings, null!), TimeProvider.System).ReadAsync("CommunicationRequest", "7", Cancelled);
    }

    private sealed class Always(string body) : HttpMessageHandler
    {
        protected override Task<HttpResponseMessage> SendAsync(HttpRequestMessage request, CancellationToken cancellationToken) =>
            Task.FromResult(new HttpResponseMessage(HttpStatusCode.OK) { Content = new StringContent(body, Encoding.UTF8, "application/fhir+json"), RequestMessage = request });
    }
}
