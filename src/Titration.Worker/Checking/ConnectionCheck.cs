using System.Collections.Immutable;
using Titration.Worker.Configuration;

namespace Titration.Worker.Checking;

/// <summary>Looks at every connection and every assumption; changes nothing anywhere.</summary>
internal static class ConnectionCheck
{
    /// <summary>A part that does not answer costs so long, whatever its own timeouts.</summary>
    private static readonly TimeSpan Patience = TimeSpan.FromSeconds(10);

    /// <summary>All rows, in the order of the way a message takes. The parts are asked side by side.</summary>
    public static async Task<ImmutableArray<CheckRow>> RunAsync(Settings settings, TimeProvider time, CancellationToken cancellationToken)
    {
        Task<ImmutableArray<CheckRow>>[] parts =
        [
            Task.FromResult(SurroundingsCheck.Of(settings)),
            WithinAsync(BrokerCheck.Subject, token => BrokerCheck.RunAsync(settings, token), cancellationToken),
            WithinAsync(DatabaseCheck.Subject, token => DatabaseCheck.RunAsync(settings, time, token), cancellationToken),
            WithinAsync(FhirServerCheck.Subject, token => FhirServerCheck.RunAsync(settings, time, Patience, token), cancellationToken),
        ];
        return [CheckRow.Ok("settings", "complete and consistent"), .. (await Task.WhenAll(parts)).SelectMany(rows => rows)];
    }

    /// <summary>The rows where the settings themselves are wrong: nothing else can be looked at.</summary>
    public static ImmutableArray<CheckRow> OfProblems(IEnumerable<string> problems) =>
    [
        .. problems.Select(p => CheckRow.Wrong("settings", p, "Correct it: in appsettings.json, in the environment, or in the file in /run/secrets.")),
        .. CheckRow.Unseen("the settings come first", BrokerCheck.Subject, DatabaseCheck.Subject, FhirServerCheck.Subject),
    ];

    // A part may be asked several things, each with its own patience; this is for what hangs nevertheless.
    private static async Task<ImmutableArray<CheckRow>> WithinAsync(
        string subject, Func<CancellationToken, Task<ImmutableArray<CheckRow>>> check, CancellationToken cancellationToken)
    {
        try
        {
            return await check(cancellationToken).WaitAsync(Patience * 4, cancellationToken);
        }
        catch (TimeoutException)
        {
            return [CheckRow.Wrong(subject, $"no answer within {(Patience * 4).TotalSeconds:0} seconds", "See whether it runs and can be reached from here, and what stands between.")];
        }
    }
}
