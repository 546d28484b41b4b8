using System.Collections.Concurrent;

namespace Titration.Integration.Tests;

/// <summary>
/// Independent FHIR endpoints, as many as there are tests at work: the faults, the log and the resources of one are for one test at a time. The first is
/// the one that was started for all tests; more are started when they are needed, and ended with the tests.
/// </summary>
public sealed class Endpoints : IAsyncDisposable
{
    private static readonly ConcurrentBag<Uri> Free = [];
    private static readonly ConcurrentBag<PrivateService> Started = [];
    private static int _handedOut;

    /// <summary>One that nobody else uses, until it is given back.</summary>
    internal static async Task<Uri> TakeAsync(CancellationToken cancellationToken)
    {
        if (Free.TryTake(out Uri? free))
        {
            return free;
        }

        if (Interlocked.Exchange(ref _handedOut, 1) == 0)
        {
            return await Services.FhirAsync();
        }

        PrivateService service = await PrivateService.StartAsync("peer", cancellationToken);
        Started.Add(service);
        return service.Fhir;
    }

    internal static void GiveBack(Uri endpoint) => Free.Add(endpoint);

    /// <inheritdoc/>
    public async ValueTask DisposeAsync()
    {
        while (Started.TryTake(out PrivateService? service))
        {
            await service.DisposeAsync();
        }
    }
}
