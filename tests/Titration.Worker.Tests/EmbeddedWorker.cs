using System.Net.Http.Headers;
using System.Net.Http.Json;
using System.Text.Json.Nodes;
using Microsoft.AspNetCore.Builder;
using Microsoft.EntityFrameworkCore;
using Microsoft.Extensions.Configuration;
using Microsoft.Extensions.DependencyInjection;
using Titration.Protocol.Communications;
using Titration.Storage;
using Titration.Storage.Model;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Titration.Worker.Configuration;
using Titration.Worker.Deciding;
using Titration.Worker.Delivery;
using Titration.Worker.Hosting;
using Titration.Worker.Intake;

namespace Titration.Worker.Tests;

/// <summary>The service in this process on embedded parts: messages in memory, SQLite, the embedded FHIR endpoint.</summary>
internal sealed class EmbeddedWorker : IAsyncDisposable
{
    private readonly TemporaryFolder? _ownFolder;
    private readonly WebApplication _app;

    private EmbeddedWorker(TimeProvider time, string? folder, string mapping, bool quietHours, string inboundTokenFile, (string Key, string Value)[] settings)
    {
        _ownFolder = folder is null ? new TemporaryFolder() : null;
        List<string> problems = [];
        Dictionary<string, string?> configuration = new(StringComparer.Ordinal)
        {
            ["Titration:DataFolder"] = folder ?? _ownFolder!.Path,
            ["Titration:Mapping:File"] = mapping,
            ["Titration:Inbound:TokenFile"] = inboundTokenFile,
            ["Titration:Health:Port"] = "0",
            ["Titration:RampIn:ProposalsPerDay"] = "0",
            // Whatever the hour at which the tests run.
            ["Titration:PatientMessages:QuietFrom"] = quietHours ? "21:00" : "00:00",
            ["Titration:PatientMessages:QuietUntil"] = quietHours ? "08:00" : "00:00",
            ["Titration:PatientMessages:MostPerDay"] = quietHours ? "1" : "10",
        };
        foreach ((string key, string value) in settings)
        {
            configuration[$"Titration:{key}"] = value;
        }

        Settings = Settings.From(new ConfigurationBuilder().AddInMemoryCollection(configuration).Build(), problems) ?? throw new InvalidOperationException(string.Join('\n', problems));
        _app = TitrationHost.Build(Settings, time, scheduled: false);
        Http = new HttpClient();
    }

    public HttpClient Http { get; }

    public Settings Settings { get; }

    public IServiceProvider Services => _app.Services;

    /// <param name="time">Its clock.</param>
    /// <param name="cancellationToken">Ends the start.</param>
    /// <param name="folder">Its data, which outlives it; null: of its own, and gone with it.</param>
    /// <param name="mapping">The clinic's mapping file; empty: none.</param>
    /// <param name="quietHours">Whether messages to patients wait for the morning, one a day.</param>
    /// <param name="inboundTokenFile">The secret that a sender has to show; empty: none.</param>
    /// <param name="settings">Other settings, such as <c>Privacy:Key</c>.</param>
    public static async Task<EmbeddedWorker> StartAsync(
        TimeProvider time, CancellationToken cancellationToken, string? folder = null, string mapping = "", bool quietHours = false, string inboundTokenFile = "",
        params (string Key, string Value)[] settings)
    {
        EmbeddedWorker worker = new(time, folder, mapping, quietHours, inboundTokenFile, settings);
        if (await TitrationHost.PrepareDatabaseAsync(worker._app.Services, worker.Settings, cancellationToken) is { } problem)
        {
            throw new InvalidOperationException(problem);
        }

        await worker._app.StartAsync(cancellationToken);
        worker.Http.BaseAddress = new Uri(worker._app.Urls.First() + "/");
        return worker;
    }

    /// <summary>A context on its database.</summary>
    public Task<TitrationDbContext> OpenAsync(CancellationToken cancellationToken) =>
        _app.Services.GetRequiredService<IDbContextFactory<TitrationDbContext>>().CreateDbContextAsync(cancellationToken);

    /// <summary>Runs a command of the built executable on its data, beside it.</summary>
    /// <param name="cancellationToken">Kills it.</param>
    /// <param name="arguments">The command line.</param>
    public Task<CommandOutput> RunAsync(CancellationToken cancellationToken, params string[] arguments) => RunAsync([], arguments, cancellationToken);

    /// <param name="environment">Settings by their names in the environment.</param>
    /// <param name="arguments">The command line.</param>
    /// <param name="cancellationToken">Kills it.</param>
    public Task<CommandOutput> RunAsync((string Name, string Value)[] environment, string[] arguments, CancellationToken cancellationToken)
    {
        Dictionary<string, string> settings = new(StringComparer.Ordinal) { ["Titration__DataFolder"] = Settings.Options.DataFolder };
        foreach ((string name, string value) in environment)
        {
            settings[name] = value;
        }

        return TitrationProcess.RunAsync(Settings.Options.DataFolder, null, settings, arguments, cancellationToken);
    }

    /// <summary>Posts a resource as curl would.</summary>
    public async Task<HttpResponseMessage> PostAsync(byte[] body, CancellationToken cancellationToken)
    {
        using ByteArrayContent content = new(body);
        content.Headers.ContentType = new MediaTypeHeaderValue("application/fhir+json");
        return await Http.PostAsync(new Uri("inbound", UriKind.Relative), content, cancellationToken);
    }

    /// <summary>Posts resources that have to be taken in.</summary>
    public async Task TakeInAsync(CancellationToken cancellationToken, params IEnumerable<JsonObject> resources)
    {
        foreach (JsonObject resource in resources)
        {
            using HttpResponseMessage response = await PostAsync(resource.ToUtf8(), cancellationToken);
            if (!response.IsSuccessStatusCode)
            {
                throw new InvalidOperationException(await response.Content.ReadAsStringAsync(cancellationToken));
            }
        }
    }

    /// <summary>Writes a resource to the embedded FHIR endpoint.</summary>
    public async Task PutAsync(JsonObject resource, CancellationToken cancellationToken)
    {
        using ByteArrayContent content = new(resource.ToUtf8());
        content.Headers.ContentType = new MediaTypeHeaderValue("application/fhir+json");
        using HttpResponseMessage response = await Http.PutAsync(new Uri($"fhir/{resource["resourceType"]}/{resource["id"]}", UriKind.Relative), content, cancellationToken);
        response.EnsureSuccessStatusCode();
    }

    /// <summary>Looks at what has fallen due, as the schedule does, and sends what may leave.</summary>
    public async Task PassAsync(CancellationToken cancellationToken)
    {
        await _app.Services.GetRequiredService<DueSweep>().RunAsync(cancellationToken);
        await DeliverAsync(cancellationToken);
        await _app.Services.GetRequiredService<OverdueDigest>().RunAsync(cancellationToken);
    }

    /// <summary>Sends all that waits to be sent.</summary>
    public async Task DeliverAsync(CancellationToken cancellationToken)
    {
        OutboxSender sender = _app.Services.GetRequiredService<OutboxSender>();
        while (await sender.SendAsync(cancellationToken) > 0)
        {
            // As long as there is something to send.
        }
    }

    public async Task<IReadOnlyList<JsonObject>> SearchAsync(string type, CancellationToken cancellationToken)
    {
        JsonObject bundle = (await Http.GetFromJsonAsync<JsonObject>(new Uri($"fhir/{type}?_count=1000", UriKind.Relative), cancellationToken))!;
        return [.. bundle["entry"]?.AsArray().Select(e => e!["resource"]!.AsObject()) ?? []];
    }

    /// <summary>What stands for a patient, whoever opened it when: the outcome and each open communication. The patient's id is left out.</summary>
    public async Task<string> StandingAsync(string patient, CancellationToken cancellationToken)
    {
        await using TitrationDbContext database = await _app.Services.GetRequiredService<IDbContextFactory<TitrationDbContext>>().CreateDbContextAsync(cancellationToken);
        List<CourseRow> courses = await database.Courses.Where(c => c.Patient == patient).ToListAsync(cancellationToken);
        List<CommunicationRow> communications = await database.Communications
            .Where(c => c.Patient == patient && c.State == CommunicationState.Standing).ToListAsync(cancellationToken);
        IEnumerable<string> lines =
        [
            .. courses.Select(c => $"{c.Outcome} {c.Step} since {c.StepSince}"),
            .. communications.Select(c => Describe(StoredJson.ReadIntent(c.Intent))).Order(StringComparer.Ordinal),
        ];
        return string.Join('\n', lines).Replace(patient, "PATIENT", StringComparison.Ordinal);
    }

    /// <summary>Makes what no mapping knew due again, as the service does at its start.</summary>
    public Task ReadUnmappedAgainAsync(CancellationToken cancellationToken) => _app.Services.GetRequiredService<WaitingRetry>().ReadUnmappedAgainAsync(cancellationToken);

    /// <summary>Tries again what waits, as the service does twice a minute.</summary>
    public Task<int> RetryWaitingAsync(CancellationToken cancellationToken) => _app.Services.GetRequiredService<WaitingRetry>().RunAsync(cancellationToken);

    // Its evidence is that of the moment when it was opened, and may be less than what is known in the end.
    private static string Describe(CommunicationIntent intent) =>
        $"{intent.Kind} {intent.Cause} {intent.Priority} {intent.Audience} {intent.Template} {string.Join(", ", intent.Values)} {intent.Rule} {intent.Proposed}";

    public async ValueTask DisposeAsync()
    {
        Http.Dispose();
        await _app.StopAsync();
        await _app.DisposeAsync();
        Microsoft.Data.Sqlite.SqliteConnection.ClearAllPools();
        _ownFolder?.Dispose();
    }
}
