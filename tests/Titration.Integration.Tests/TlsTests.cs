using Microsoft.Extensions.Configuration;
using Npgsql;
using Titration.Storage;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Titration.Worker.Configuration;
using Xunit;

namespace Titration.Integration.Tests;

/// <summary>Which broker and which database are believed to be the clinic's: real handshakes, with the real servers behind them.</summary>
public sealed class TlsTests : IDisposable
{
    private readonly string _folder = Directory.CreateTempSubdirectory("titration-tls-").FullName;

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public void Dispose() => Directory.Delete(_folder, recursive: true);

    [Theory]
    [InlineData(false)]
    [InlineData(true)]
    public async Task A_broker_of_the_right_name_under_the_clinics_authority_is_connected_to(bool asksForCertificate)
    {
        using CertificateAuthority clinic = new(_folder, "clinic");
        (string certificate, string key) = clinic.Issue("client", "titration");
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using TlsProxy proxy = new(parts.Broker.Address, clinic.Issue("broker", "localhost"), asksForCertificate ? "CN=clinic" : null);
        Dictionary<string, string> settings = Over(proxy, parts, clinic.File);
        if (asksForCertificate)
        {
            settings["Titration:Broker:Tls:CertificateFile"] = certificate;
            settings["Titration:Broker:Tls:KeyFile"] = key;
        }

        await using RunningWorker worker = await RunningWorker.StartAsync(settings, TimeProvider.System, Cancelled);
        await parts.Broker.PublishAsync(Cancelled, ClinicDays.LongAgo().Order("secure"));

        await Eventually.HoldsAsync("the message that came over TLS", () => WorkerState.IsKnownAsync(parts, "secure", Cancelled), Cancelled);
        Assert.True(proxy.Completed > 0);
    }

    [Theory]
    [InlineData("another name")]
    [InlineData("an authority that is not trusted")]
    [InlineData("an authority that the system does not know")]
    [InlineData("a certificate that has ended")]
    public async Task A_broker_that_may_be_somebody_else_is_not_connected_to(string problem)
    {
        using CertificateAuthority clinic = new(_folder, "clinic");
        using CertificateAuthority stranger = new(_folder, "stranger");
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        await using TlsProxy proxy = new(parts.Broker.Address, Certificate(problem, clinic, stranger));
        Dictionary<string, string> settings = Over(proxy, parts, problem == "an authority that the system does not know" ? "" : clinic.File);
        using CancellationTokenSource stopped = CancellationTokenSource.CreateLinkedTokenSource(Cancelled);

        // It waits for the broker and goes on trying.
        Task<RunningWorker> starting = RunningWorker.StartAsync(settings, TimeProvider.System, stopped.Token);
        await Eventually.HoldsAsync("a handshake broken off twice", () => Task.FromResult(proxy.Failed >= 2), Cancelled);

        Assert.False(starting.IsCompleted);
        Assert.Equal(0, proxy.Completed);
        await stopped.CancelAsync();
        await Assert.ThrowsAnyAsync<Exception>(() => starting);
    }

    [Theory]
    [InlineData("the right authority and name", true)]
    [InlineData("another name", false)]
    [InlineData("an authority that is not trusted", false)]
    [InlineData("a certificate that has ended", false)]
    public async Task Only_a_database_of_the_right_name_under_the_clinics_authority_is_connected_to(string server, bool connects)
    {
        using CertificateAuthority clinic = new(_folder, "clinic");
        using CertificateAuthority stranger = new(_folder, "stranger");
        await using Surroundings parts = await Surroundings.CreateAsync(Cancelled);
        NpgsqlConnectionStringBuilder plain = new(parts.Database.ConnectionString);
        await using TlsProxy proxy = new(new Uri($"postgres://{plain.Host}:{plain.Port}"), Certificate(server, clinic, stranger));
        Dictionary<string, string> settings = parts.Settings();
        settings["Titration:Database:ConnectionString"] =
            $"Host=localhost;Port={proxy.Port};Username={plain.Username};Password={plain.Password};Database={plain.Database};SSL Mode=VerifyFull;Root Certificate={clinic.File}";
        List<string> problems = [];
        Settings checkedSettings = Settings.From(new ConfigurationBuilder().AddInMemoryCollection(settings!).Build(), problems)!;
        Assert.Empty(problems);

        await using TitrationDbContext database = StorageServices.CreateContext(checkedSettings.Database);

        Assert.Equal(connects, await database.Database.CanConnectAsync(Cancelled));
        Assert.Equal(connects, proxy.Completed > 0);
        Assert.Equal(connects, proxy.Failed == 0);
    }

    private static (string Certificate, string Key) Certificate(string problem, CertificateAuthority clinic, CertificateAuthority stranger) => problem switch
    {
        "another name" => clinic.Issue("server", "server.clinic.example.org"),
        "an authority that is not trusted" => stranger.Issue("server", "localhost"),
        "a certificate that has ended" => clinic.Issue("server", "localhost", isExpired: true),
        _ => clinic.Issue("server", "localhost"),
    };

    private static Dictionary<string, string> Over(TlsProxy proxy, Surroundings parts, string authorities)
    {
        Dictionary<string, string> settings = parts.Settings();
        Uri broker = parts.Broker.Address;
        settings["Titration:Broker:Uri"] = $"amqps://{broker.UserInfo}@localhost:{proxy.Port}{broker.AbsolutePath}";
        settings["Titration:Broker:Tls:CaFile"] = authorities;
        return settings;
    }
}
