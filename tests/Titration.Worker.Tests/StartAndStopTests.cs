using System.Net;
using System.Net.Sockets;
using Microsoft.Data.Sqlite;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>Unattended: what it waits for it says, and it stops when told to.</summary>
public sealed class StartAndStopTests
{
    private static readonly TimeSpan ShutdownLimit = TimeSpan.FromSeconds(10);

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Theory]
    [InlineData("Titration__Broker__Uri", "amqp://127.0.0.1:{0}", "the broker at 127.0.0.1:{0} does not answer")]
    [InlineData("Titration__Database__ConnectionString", "Host=127.0.0.1;Port={0};Database=titration;Timeout=2", "the database at 127.0.0.1 does not answer")]
    public async Task It_waits_for_what_does_not_answer_says_so_and_is_alive_but_not_ready(string setting, string value, string reason)
    {
        using TemporaryFolder folder = new();
        int port = FreePort();
        string closed = $"{FreePort()}";
        Dictionary<string, string> settings = new(StringComparer.Ordinal)
        {
            ["Titration__Health__Port"] = $"{port}",
            ["Titration__Database__Provider"] = setting.Contains("Database", StringComparison.Ordinal) ? "postgres" : "sqlite",
            [setting] = value.Replace("{0}", closed, StringComparison.Ordinal),
        };
        reason = reason.Replace("{0}", closed, StringComparison.Ordinal);
        await using TitrationProcess service = TitrationProcess.Start(folder.Path, settings, "run");
        Assert.StartsWith(reason, await service.LineAsync("titration: waiting:", Cancelled), StringComparison.Ordinal);

        using HttpClient http = new() { BaseAddress = new Uri($"http://127.0.0.1:{port}/") };
        using HttpResponseMessage ready = await http.GetAsync(new Uri("health/ready", UriKind.Relative), Cancelled);
        using HttpResponseMessage live = await http.GetAsync(new Uri("health/live", UriKind.Relative), Cancelled);

        Assert.Equal((HttpStatusCode.ServiceUnavailable, HttpStatusCode.OK), (ready.StatusCode, live.StatusCode));
        Assert.Contains(reason, await ready.Content.ReadAsStringAsync(Cancelled), StringComparison.Ordinal);
        Assert.Equal(0, await service.StopAsync(ShutdownLimit));
    }

    [Fact]
    public async Task Told_to_stop_while_the_FHIR_server_keeps_it_waiting_it_gives_back_what_it_was_sending()
    {
        using TcpListener silent = new(IPAddress.Loopback, 0);
        silent.Start();
        using TemporaryFolder folder = new();
        int port = FreePort();
        Dictionary<string, string> settings = new(StringComparer.Ordinal)
        {
            ["Titration__Health__Port"] = $"{port}",
            ["Titration__FhirServer__BaseUrl"] = $"http://127.0.0.1:{((IPEndPoint)silent.LocalEndpoint).Port}",
        };
        await using TitrationProcess service = TitrationProcess.Start(folder.Path, settings, "run");
        await service.LineAsync("health", Cancelled);
        ClinicDays days = ClinicDays.LongAgo();
        using HttpClient http = new() { BaseAddress = new Uri($"http://127.0.0.1:{port}/") };
        Task<HttpResponseMessage> posted = http.PostAsync(
            new Uri("inbound", UriKind.Relative), new ByteArrayContent(days.Swelling("p1", 5).ToUtf8()) { Headers = { { "Content-Type", "application/fhir+json" } } }, Cancelled);
        using TcpClient asked = await silent.AcceptTcpClientAsync(Cancelled);
        using HttpResponseMessage taken = await posted;
        Assert.Equal(HttpStatusCode.OK, taken.StatusCode);

        Assert.Equal(0, await service.StopAsync(ShutdownLimit));

        await using TitrationDbContext database = StorageServices.CreateContext(new DatabaseOptions
        {
            Provider = DatabaseProvider.Sqlite,
            ConnectionString = $"Data Source={folder.File("data/titration.db")};Pooling=False",
        });
        Assert.All(await database.Outbox.AsNoTracking().ToListAsync(Cancelled), o => Assert.Equal(OutboxState.Pending, o.State));
        Assert.NotEmpty(await database.Outbox.AsNoTracking().ToListAsync(Cancelled));
        SqliteConnection.ClearAllPools();
    }

    private static int FreePort()
    {
        using TcpListener listener = new(IPAddress.Loopback, 0);
        listener.Start();
        return ((IPEndPoint)listener.LocalEndpoint).Port;
    }
}
