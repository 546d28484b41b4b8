using Microsoft.AspNetCore.Builder;
using Microsoft.Extensions.Configuration;
using Microsoft.Extensions.DependencyInjection;
using Titration.Worker.Configuration;
using Titration.Worker.Delivery;
using Titration.Worker.Hosting;

namespace Titration.Worker.Tests.Access;

/// <summary>The service's own way to a FHIR server, put together as the service does it, and not started.</summary>
internal sealed class Reaching : IAsyncDisposable
{
    private readonly WebApplication _app;

    private Reaching(WebApplication app) => _app = app;

    public static Reaching With(TimeProvider time, string folder, Uri server, params (string Key, string Value)[] settings) =>
        new(TitrationHost.Build(SettingsOf(folder, [("FhirServer:BaseUrl", server.OriginalString), .. settings]), time, scheduled: false));

    public static Settings SettingsOf(string folder, params IEnumerable<(string Key, string Value)> settings)
    {
        List<string> problems = [];
        return Read(folder, settings, problems) ?? throw new InvalidOperationException(string.Join('\n', problems));
    }

    public static IReadOnlyList<string> ProblemsOf(string folder, params IEnumerable<(string Key, string Value)> settings)
    {
        List<string> problems = [];
        Read(folder, settings, problems);
        return problems;
    }

    /// <summary>What the server says of a patient: <c>held</c>, or the reason why it cannot be used.</summary>
    public async Task<string> ReadAsync(CancellationToken cancellationToken, string patient = "p1")
    {
        ServerAnswer answer = await _app.Services.GetRequiredService<FhirServerClient>().ReadAsync("Patient", patient, cancellationToken);
        return answer switch
        {
            ServerAnswer.Held => "held",
            ServerAnswer.Unavailable unavailable => unavailable.Reason,
            _ => answer.ToString(),
        };
    }

    public ValueTask DisposeAsync() => _app.DisposeAsync();

    private static Settings? Read(string folder, IEnumerable<(string Key, string Value)> settings, List<string> problems) => Settings.From(
        new ConfigurationBuilder().AddInMemoryCollection(
        [
            new("Titration:DataFolder", folder),
            new("Titration:Health:Port", "0"),
            // Of what is said twice the later counts.
            .. settings.GroupBy(s => s.Key, StringComparer.Ordinal).Select(s => KeyValuePair.Create($"Titration:{s.Key}", (string?)s.Last().Value)),
        ]).Build(), problems);
}
