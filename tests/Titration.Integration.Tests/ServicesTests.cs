using System.Net;
using System.Net.Http.Headers;
using Npgsql;
using RabbitMQ.Client;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>The parts the other tests stand on are really there and do what those tests take for granted.</summary>
public sealed class ServicesTests
{
    [Fact]
    public async Task The_broker_declares_a_quorum_queue()
    {
        ConnectionFactory factory = new() { Uri = await Services.RabbitMqAsync() };
        await using IConnection connection = await factory.CreateConnectionAsync(TestContext.Current.CancellationToken);
        await using IChannel channel = await connection.CreateChannelAsync(cancellationToken: TestContext.Current.CancellationToken);
        string name = $"smoke-{Guid.NewGuid():N}";

        QueueDeclareOk declared = await channel.QueueDeclareAsync(
            name, durable: true, exclusive: false, autoDelete: false,
            new Dictionary<string, object?>(StringComparer.Ordinal) { ["x-queue-type"] = "quorum" },
            cancellationToken: TestContext.Current.CancellationToken);

        Assert.Equal(name, declared.QueueName);
        await channel.QueueDeleteAsync(name, cancellationToken: TestContext.Current.CancellationToken);
    }

    [Fact]
    public async Task The_management_API_of_the_broker_answers()
    {
        Uri management = await Services.RabbitMqManagementAsync();
        using HttpClient client = new();
        using HttpRequestMessage request = new(HttpMethod.Get, new Uri(management, "/api/whoami"));
        request.Headers.Authorization = new AuthenticationHeaderValue("Basic", Convert.ToBase64String(System.Text.Encoding.UTF8.GetBytes(management.UserInfo)));

        using HttpResponseMessage response = await client.SendAsync(request, TestContext.Current.CancellationToken);

        Assert.Equal(HttpStatusCode.OK, response.StatusCode);
    }

    [Fact]
    public async Task The_database_says_its_version()
    {
        await using NpgsqlConnection connection = new(await Services.PostgresAsync());
        await connection.OpenAsync(TestContext.Current.CancellationToken);
        await using NpgsqlCommand command = new("select version()", connection);

        object? version = await command.ExecuteScalarAsync(TestContext.Current.CancellationToken);

        Assert.StartsWith("PostgreSQL ", Assert.IsType<string>(version), StringComparison.Ordinal);
    }

    [Fact]
    public async Task The_FHIR_endpoint_creates_conditionally_once_and_then_answers_with_what_is_there()
    {
        using Peer peer = await Peer.ConnectAsync(TestContext.Current.CancellationToken);
        using HttpClient client = new();
        string key = Guid.NewGuid().ToString();

        HttpStatusCode first = await CreateTaskAsync(client, peer.FhirBase, key);
        HttpStatusCode second = await CreateTaskAsync(client, peer.FhirBase, key);

        Assert.Equal([HttpStatusCode.Created, HttpStatusCode.OK], [first, second]);
    }

    private static async Task<HttpStatusCode> CreateTaskAsync(HttpClient client, Uri fhir, string key)
    {
        const string System = "https://titration.example.org/fhir/NamingSystem/smoke";
        using HttpRequestMessage request = new(HttpMethod.Post, new Uri($"{fhir}/Task"));
        request.Headers.Add("If-None-Exist", $"identifier={System}|{key}");
        request.Content = new StringContent(
            $$"""{"resourceType":"Task","status":"requested","intent":"proposal","identifier":[{"system":"{{System}}","value":"{{key}}"}]}""",
            new MediaTypeHeaderValue("application/fhir+json"));
        using HttpResponseMessage response = await client.SendAsync(request, TestContext.Current.CancellationToken);
        return response.StatusCode;
    }
}
