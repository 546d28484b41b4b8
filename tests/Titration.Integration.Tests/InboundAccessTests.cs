using System.Net;
using System.Net.Http.Headers;
using System.Security.Cryptography.X509Certificates;
using Microsoft.EntityFrameworkCore;
using Titration.Storage;
using Titration.Storage.Intake;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>The ways in, outside of the embedded mode: who may use them, and how much at once.</summary>
public sealed class InboundAccessTests : IDisposable
{
    private const string Secret = "an-invented-secret-of-forty-odd-characters";
    private readonly string _folder = Directory.CreateTempSubdirectory("titration-inbound-").FullName;
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public void Dispose() => Directory.Delete(_folder, recursive: true);

    [Fact]
    public async Task Without_a_secret_there_is_no_inbound_HTTP_endpoint()
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using RunningWorker worker = await parts.StartAsync(TimeProvider.System, Cancelled);
        using HttpClient http = new();

        using HttpResponseMessage response = await PostAsync(http, worker.Address, "nobody");

        Assert.Equal(HttpStatusCode.NotFound, response.StatusCode);
    }

    [Fact]
    public async Task With_a_secret_it_puts_onto_the_queue_what_comes_with_it_over_HTTPS()
    {
        using CertificateAuthority clinic = new(_folder, "clinic");
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using RunningWorker worker = await RunningWorker.StartAsync(Settings(parts, clinic), TimeProvider.System, Cancelled);
        using HttpClient stranger = Client(clinic, null);
        using HttpClient guesser = Client(clinic, Secret + "s");
        using HttpClient producer = Client(clinic, Secret);

        using HttpResponseMessage none = await PostAsync(stranger, worker.SecureAddress, "stranger");
        using HttpResponseMessage wrong = await PostAsync(guesser, worker.SecureAddress, "guesser");
        using HttpResponseMessage plain = await PostAsync(producer, worker.Address, "plain");
        using HttpResponseMessage right = await PostAsync(producer, worker.SecureAddress, "producer");

        Assert.Equal(
            [HttpStatusCode.Unauthorized, HttpStatusCode.Unauthorized, HttpStatusCode.NotFound, HttpStatusCode.Accepted],
            [none.StatusCode, wrong.StatusCode, plain.StatusCode, right.StatusCode]);
        await Eventually.HoldsAsync("what was put onto the queue", () => WorkerState.IsKnownAsync(parts, "producer", Cancelled), Cancelled);
        Assert.False(await WorkerState.IsKnownAsync(parts, "guesser", Cancelled));
    }

    [Fact]
    public async Task What_the_broker_does_not_take_is_not_acknowledged()
    {
        using CertificateAuthority clinic = new(_folder, "clinic");
        await using PrivateService rabbit = await PrivateService.StartAsync("rabbitmq", Cancelled);
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled, broker: await Broker.CreateAsync(rabbit.RabbitMq.Server, rabbit.RabbitMq.Management, Cancelled));
        await using RunningWorker worker = await RunningWorker.StartAsync(Settings(parts, clinic), TimeProvider.System, Cancelled);
        using HttpClient producer = Client(clinic, Secret);
        using HttpResponseMessage before = await PostAsync(producer, worker.SecureAddress, "before");
        await rabbit.StopAsync(Cancelled);

        using HttpResponseMessage meanwhile = await PostAsync(producer, worker.SecureAddress, "meanwhile");
        await rabbit.StartAsync(Cancelled);
        using HttpResponseMessage after = await Eventually.BecomesAsync(
            "an answer of 202", () => PostAsync(producer, worker.SecureAddress, "after"), r => r.StatusCode == HttpStatusCode.Accepted, Cancelled);

        Assert.Equal([HttpStatusCode.Accepted, HttpStatusCode.ServiceUnavailable], [before.StatusCode, meanwhile.StatusCode]);
        Assert.NotNull(meanwhile.Headers.RetryAfter);
        await Eventually.HoldsAsync("what was acknowledged", async () => await WorkerState.IsKnownAsync(parts, "before", Cancelled) && await WorkerState.IsKnownAsync(parts, "after", Cancelled), Cancelled);
        Assert.False(await WorkerState.IsKnownAsync(parts, "meanwhile", Cancelled));
    }

    [Fact]
    public async Task The_status_page_is_for_this_machine_and_over_HTTPS_for_whoever_shows_its_own_secret()
    {
        const string StatusSecret = "another-invented-secret-of-forty-characters";
        using CertificateAuthority clinic = new(_folder, "clinic");
        string file = Path.Combine(_folder, "status-secret");
        await File.WriteAllTextAsync(file, StatusSecret, Cancelled);
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        Dictionary<string, string> settings = new(Settings(parts, clinic), StringComparer.Ordinal) { ["Titration:Status:TokenFile"] = file };
        await using RunningWorker worker = await RunningWorker.StartAsync(settings, TimeProvider.System, Cancelled);

        async Task<HttpStatusCode> GetAsync(Uri address, bool passedOn, AuthenticationHeaderValue? shown)
        {
            using HttpClient http = Client(clinic, null);
            using HttpRequestMessage request = new(HttpMethod.Get, new Uri(address, "status"));
            if (passedOn)
            {
                request.Headers.Add("X-Forwarded-For", "192.0.2.7");
            }

            request.Headers.Authorization = shown;
            using HttpResponseMessage response = await http.SendAsync(request, Cancelled);
            return response.StatusCode;
        }

        // What a proxy passed on stands for a request from elsewhere, which a test on one machine cannot make.
        AuthenticationHeaderValue asBrowser = new("Basic", Convert.ToBase64String(System.Text.Encoding.UTF8.GetBytes($"anybody:{StatusSecret}")));
        Assert.Equal(
            [HttpStatusCode.OK, HttpStatusCode.NotFound, HttpStatusCode.Unauthorized, HttpStatusCode.Unauthorized, HttpStatusCode.OK, HttpStatusCode.OK],
            [
                await GetAsync(worker.Address, passedOn: false, null),
                await GetAsync(worker.Address, passedOn: true, asBrowser),
                await GetAsync(worker.SecureAddress, passedOn: true, null),
                await GetAsync(worker.SecureAddress, passedOn: true, new AuthenticationHeaderValue("Bearer", Secret)),
                await GetAsync(worker.SecureAddress, passedOn: true, new AuthenticationHeaderValue("Bearer", StatusSecret)),
                await GetAsync(worker.SecureAddress, passedOn: true, asBrowser),
            ]);
    }

    [Theory]
    [InlineData(11)]
    [InlineData(70)]
    public async Task A_message_over_the_limit_is_quarantined_and_the_next_one_is_taken_in(int mebibytes)
    {
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using RunningWorker worker = await parts.StartAsync(TimeProvider.System, Cancelled);

        await parts.Broker.PublishAsync([("Observation", new byte[mebibytes * 1024 * 1024])], Cancelled);
        await parts.Broker.PublishAsync(Cancelled, _days.Order("small"));

        await Eventually.HoldsAsync("the message after the large one", () => WorkerState.IsKnownAsync(parts, "small", Cancelled), Cancelled);
        IReadOnlyList<QuarantineRow> held = await Eventually.CountsAsync("messages in quarantine", 1, () => HeldAsync(parts), Cancelled);
        Assert.Contains("larger than", held[0].Problem, StringComparison.Ordinal);
        await parts.AssertNoErrorAsync(Cancelled);
    }

    private Dictionary<string, string> Settings(Surroundings parts, CertificateAuthority clinic)
    {
        File.WriteAllText(Path.Combine(_folder, "secret"), Secret);
        (string certificate, string key) = clinic.Issue("titration", "localhost");
        Dictionary<string, string> settings = parts.Settings();
        settings["Titration:Inbound:TokenFile"] = Path.Combine(_folder, "secret");
        settings["Titration:Inbound:Port"] = "0";
        settings["Titration:Inbound:CertificateFile"] = certificate;
        settings["Titration:Inbound:KeyFile"] = key;
        return settings;
    }

    private static HttpClient Client(CertificateAuthority clinic, string? secret)
    {
        X509ChainPolicy trust = new() { TrustMode = X509ChainTrustMode.CustomRootTrust, RevocationMode = X509RevocationMode.NoCheck };
        trust.CustomTrustStore.Add(X509CertificateLoader.LoadCertificateFromFile(clinic.File));
        HttpClient http = new(new SocketsHttpHandler { SslOptions = { CertificateChainPolicy = trust } });
        http.DefaultRequestHeaders.Authorization = secret is null ? null : new AuthenticationHeaderValue("Bearer", secret);
        return http;
    }

    private async Task<HttpResponseMessage> PostAsync(HttpClient http, Uri service, string patient)
    {
        using ByteArrayContent content = new(_days.Order(patient).ToUtf8());
        content.Headers.ContentType = new MediaTypeHeaderValue("application/fhir+json");
        return await http.PostAsync(new Uri(service, "inbound"), content, Cancelled);
    }

    private static async Task<IReadOnlyList<QuarantineRow>> HeldAsync(Surroundings parts)
    {
        await using TitrationDbContext database = parts.Open();
        return await database.Quarantine.Held().ToListAsync(Cancelled);
    }
}
